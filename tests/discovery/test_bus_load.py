"""Bits of frames on the wire, against the published worst cases, and the load of a bus."""

import numpy as np
import pytest

from decoder.discovery.bus_load import bus_loads, frame_bits
from decoder.frames import ERROR, FD, REMOTE
from tests.building import capture


@pytest.mark.parametrize("size", range(9))
@pytest.mark.parametrize(("can_id", "fixed"), [(0x123, 55), (0x18FF50E5, 80)])
def test_the_longest_frame_has_the_published_number_of_bits(size, can_id, fixed):
    """55 + 10 s and 80 + 10 s bits: Davis, Burns, Bril, Lukkien 2007, equation 2."""
    plain, stuffing = frame_bits(capture([(0, can_id, bytes(size))]))
    assert (plain + stuffing).tolist() == [fixed + 10 * size]


def test_a_remote_frame_has_no_payload_bits():
    frames = capture([(0, 0x123, bytes(8), 0, REMOTE), (1, 0x123, b"")])
    assert len(set(frame_bits(frames)[0].tolist())) == 1


def test_the_load_is_the_share_of_time_that_the_frames_take():
    frames = capture([(n / 1000, 0x123, bytes(8)) for n in range(1001)])
    (load,) = bus_loads(frames, 500_000)
    assert load.least_percent == pytest.approx(111 * 1001 / 500_000 * 100)
    assert load.most_percent == pytest.approx(135 * 1001 / 500_000 * 100)
    assert bus_loads(frames, 250_000)[0].least_percent == pytest.approx(2 * load.least_percent)


def test_fd_and_error_frames_are_counted_apart():
    rows = [(0, 0x123, bytes(8)), (1, 0x123, bytes(8), 0, FD), (2, 0x123, bytes(8), 0, ERROR)]
    (load,) = bus_loads(capture(rows))
    assert (load.frames, load.fd_frames, load.error_frames) == (3, 1, 1)
    assert load.least_percent == pytest.approx(111 / 2 / 500_000 * 100)


def test_each_bus_has_its_own_load():
    loads = bus_loads(capture([(0, 0x123, bytes(8)), (1, 0x123, b"", 1), (2, 0x123, b"", 1)], ("can0", "can1")))
    assert [(load.bus, load.frames) for load in loads] == [("can0", 1), ("can1", 2)]


@pytest.mark.parametrize("rows", [[], [(5, 0x123, b"")]])
def test_a_capture_without_length_has_no_load(rows):
    assert all(np.isfinite(load.most_percent) and load.most_percent == 0 for load in bus_loads(capture(rows)))


def test_a_bit_rate_of_nothing_is_refused():
    with pytest.raises(ValueError, match="1 bit/s or more"):
        bus_loads(capture([]), 0)
