"""How well fields explain readings: log likelihoods in which meter, sensor, quantisation and movement have their part.

A meter's and a sensor's error throughout is as likely anywhere within its limits; it is fitted and charged only beyond
them. What is left after that is noise: of the last digit, of the field's own steps, of the value's movement within
what the clocks leave open; and now and then a reading is simply wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.pinning.reading_errors import APART, NOISE_DIGITS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.discovery.pinning.reading_errors import LabelReadings

_WRONG: Final = 0.01  # of readings; common practice, no source
_TAIL: Final = 25.0  # standard deviations over which a wrong reading may lie
_FAR: Final = 5.0  # standard deviations beyond which a reading is wrong altogether
_LOOSE: Final = 2.0  # readings that a loose prediction is charged for
_ROUNDS: Final = 2
_MOST_TRUSTED: Final = 5.0  # readings; as many as there may be, they tell no more than so many independent ones
_TRUST: Final = 0.3  # of the noise model: errors of readings in a row are not independent


@dataclass(frozen=True, eq=False, slots=True)
class Fit:
    """Of each candidate: log likelihood, and the root mean square that is left (in the unit), all float64, c x d."""

    log_likelihood: NDArray[np.float64]
    residual: NDArray[np.float64]


def fit(
    label: LabelReadings,
    quantity: str,
    value: NDArray[np.float64],
    moved: NDArray[np.float64],
    scale: NDArray[np.float64],
    trust: float | None = None,
) -> Fit:
    """Weigh fields of one quantity.

    value : c x d x n, what each field carried at each reading, for each of d clock offsets
    moved : the same shape, standard deviation of what movement adds
    scale : c, what one step of each field is worth
    trust : the weight of one reading's deviation; else one that is careful with many readings
    """
    trust = _trust(label) if trust is None else trust
    apart = APART[quantity]
    still = np.sqrt((NOISE_DIGITS * label.step) ** 2 + apart.noise**2)
    sigma = np.sqrt(still**2 + moved**2)
    half = np.abs(scale)[:, None, None] / 2
    share_limit = apart.meter_share + 1e-9
    amount_limit = label.digits * label.step.max()
    share_sigma, amount_sigma = share_limit / 2 + apart.own_share, amount_limit / 2 + apart.own
    wide = np.sqrt(sigma**2 + half**2 / 3)
    weight = 1 / wide**2
    off = label.value - value
    for _ in range(_ROUNDS):
        share, amount = _common(value, off, weight, share_sigma, amount_sigma)
        left = off - share[..., None] * value - amount[..., None]
        weight = 1 / (wide**2 * (1 + (left / wide / 3) ** 2))
    z = np.maximum(np.abs(left) - half, 0) / sigma
    norm = np.log(still) + 0.5 * np.log(2 * np.pi)
    each = np.logaddexp(np.log1p(-_WRONG) - 0.5 * trust * z**2, np.log(_WRONG / _TAIL)) - norm
    # How broad a prediction is, by movement and by its step: charged once for each reading that tells something new.
    # But fields that go along with the right one and are sent more often say more exactly what they say, and that alone
    # does not make them right: so for a few readings only.
    charged = min(_LOOSE, _new_values(label.value, still))
    stepped = np.log1p(2 * half[..., 0] / (2.5 * np.median(sigma, axis=-1)))
    loose = charged * np.log(sigma / still).mean(axis=-1) + (charged - 1) * stepped
    beyond = _beyond(share, share_limit, apart.own_share + share_limit / 4)
    beyond += _beyond(amount, amount_limit, apart.own + amount_limit / 4)
    # one reading's worth goes into finding the common error, anywhere within its limits and the field's step
    free = np.log(sigma).mean(axis=-1) + 0.92 - np.log(2 * label.limit(quantity).mean() + 2 * half[..., 0])
    sound = z < _FAR
    residual = np.sqrt((off**2 * sound).sum(axis=-1) / np.maximum(sound.sum(axis=-1), 1))
    return Fit(each.sum(axis=-1) + np.minimum(free, 0) - beyond - loose, residual)


def _trust(label: LabelReadings) -> float:
    """Give the weight of one reading's deviation."""
    return min(_TRUST, _MOST_TRUSTED / len(label.value))


def _new_values(value: NDArray[np.float64], still: NDArray[np.float64]) -> float:
    """Count how many readings tell something new, beyond noise; the first one does."""
    moves = np.abs(np.diff(value))
    new = np.clip((moves - 2 * still[1:]) / (2 * still[1:]), 0, 1).sum()
    drift = (value.max() - value.min()) / (4 * float(np.median(still)))
    return float(1 + min(max(float(new), drift), len(value) - 1))


def _common(
    value: NDArray[np.float64],
    off: NDArray[np.float64],
    weight: NDArray[np.float64],
    share_sigma: float,
    amount_sigma: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fit share and amount of a common error, both held near 0 by how large they usually are."""
    vv = (weight * value**2).sum(axis=-1) + 1 / share_sigma**2
    v1 = (weight * value).sum(axis=-1)
    ww = weight.sum(axis=-1) + 1 / amount_sigma**2
    vo, oo = (weight * value * off).sum(axis=-1), (weight * off).sum(axis=-1)
    whole = vv * ww - v1**2
    return (ww * vo - v1 * oo) / whole, (vv * oo - v1 * vo) / whole


def _beyond(amount: NDArray[np.float64], limit: float, sigma: float) -> NDArray[np.float64]:
    over = np.maximum(np.abs(amount) - limit, 0) / sigma
    charged: NDArray[np.float64] = 0.5 * over**2
    return charged


def log_likelihood_of_none(label: LabelReadings, quantity: str, trust: float | None = None) -> float:
    """Give the log likelihood of the readings if no field of the capture carries them."""
    apart = APART[quantity]
    still = np.sqrt((NOISE_DIGITS * label.step) ** 2 + apart.noise**2)
    trust = _trust(label) if trust is None else trust
    off = np.abs(label.value - np.median(label.value))
    sigma = np.hypot(1.5 * np.median(off), still)
    z = off / sigma
    each = np.logaddexp(np.log1p(-_WRONG) - 0.5 * trust * z**2, np.log(_WRONG / _TAIL))
    each -= np.log(still) + 0.5 * np.log(2 * np.pi)
    loose = float(np.log(sigma / still).mean()) * min(_LOOSE, _new_values(label.value, still))
    first = float(np.log(still).mean() + 0.5 * np.log(2 * np.pi)) - np.log(apart.span)
    return float(each.sum() + first - loose)
