"""How well fields explain readings: log likelihoods in which meter, sensor, quantisation and movement have their part.

A meter's and a sensor's error throughout is as likely anywhere within its limits; it is fitted and charged only beyond
them. What is left after that is noise: of the last digit, of the field's own steps, of the value's movement within
what the clocks leave open; and now and then a reading is simply wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from decoder.discovery.reading_errors import APART, NOISE_DIGITS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from decoder.discovery.reading_errors import LabelReadings

_WRONG: Final = 0.01  # of readings; common practice, no source
_TAIL: Final = 25.0  # standard deviations over which a wrong reading may lie
_ROUNDS: Final = 2
_TRUST: Final = 0.5  # of the noise model: errors of readings in a row are not independent


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
) -> Fit:
    """Weigh fields of one quantity.

    value : c x d x n, what each field carried at each reading, for each of d clock offsets
    moved : the same shape, standard deviation of what movement adds
    scale : c, what one step of each field is worth
    """
    apart = APART[quantity]
    noise = (NOISE_DIGITS * label.step) ** 2 + apart.noise**2
    sigma = np.sqrt(noise + (scale[:, None, None] ** 2) / 12 + moved**2)
    share_limit = apart.meter_share + 1e-9
    amount_limit = label.digits * label.step.max()
    share_sigma, amount_sigma = share_limit / 2 + apart.own_share, amount_limit / 2 + apart.own
    weight = 1 / sigma**2
    off = label.value - value
    for _ in range(_ROUNDS):
        share, amount = _common(value, off, weight, share_sigma, amount_sigma)
        left = off - share[..., None] * value - amount[..., None]
        weight = 1 / (sigma**2 * (1 + (left / sigma / 3) ** 2))
    z = left / sigma
    plain = -0.5 * _TRUST * z**2 - np.log(sigma) - 0.5 * np.log(2 * np.pi)
    wrong = np.log(_WRONG / _TAIL) - np.log(sigma)
    each = np.logaddexp(np.log1p(-_WRONG) + plain, wrong)
    beyond = _beyond(share, share_limit, apart.own_share + share_limit / 4)
    beyond += _beyond(amount, amount_limit, apart.own + amount_limit / 4)
    # one reading's worth goes into finding the common error, which may be anywhere within its limits
    free = np.log(sigma).mean(axis=-1) + 0.92 - np.log(2 * label.limit(quantity).mean())
    sound = np.abs(z) < 5
    residual = np.sqrt((off**2 * sound).sum(axis=-1) / np.maximum(sound.sum(axis=-1), 1))
    return Fit(each.sum(axis=-1) + np.minimum(free, 0) - beyond, residual)


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


def log_likelihood_of_none(label: LabelReadings, quantity: str) -> float:
    """Give the log likelihood of the readings if no field of the capture carries them."""
    apart = APART[quantity]
    centre = np.median(label.value)
    spread = 1.5 * np.median(np.abs(label.value - centre))
    sigma = np.sqrt(spread**2 + (NOISE_DIGITS * label.step) ** 2 + apart.noise**2 + (0.5 * label.limit(quantity)) ** 2)
    z = (label.value - centre) / sigma
    plain = -0.5 * _TRUST * z**2 - np.log(sigma) - 0.5 * np.log(2 * np.pi)
    each = np.logaddexp(np.log(0.9) + plain, np.log(0.1 / apart.span))
    return float(each[1:].sum() - np.log(apart.span))
