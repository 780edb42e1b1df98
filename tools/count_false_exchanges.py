"""Count exchanges found where there are none: in periodic and in random traffic. Any that is found is false.

    .venv/bin/python tools/count_false_exchanges.py [--frames N] [--seeds K] [--less BITS]

For each kind of traffic K (5) captures of N (1,000,000) frames.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # so that it runs from a clone that is not installed

from decoder.transport import pairs
from decoder.transport.exchanges import exchanges
from tools.traffic import noise, periodic

_FIRST_BYTES = (0x01, 0x02, 0x03, 0x04, 0x05, 0x06, 0x07, 0x10, 0x20, 0x21, 0x22, 0x30)


def main() -> int:
    """Count and print; status 1 if periodic traffic gives any, or random traffic one in 100,000 frames or more."""
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("--frames", type=int, default=1_000_000)
    arguments.add_argument("--seeds", type=int, default=5)
    arguments.add_argument("--less", type=float, default=0.0, metavar="BITS", help="lower the thresholds")
    options = arguments.parse_args()
    pairs.SURE_BITS -= options.less
    pairs.ALONE_BITS -= options.less
    n = options.frames
    kinds = {
        "periodic, 100 identifiers": lambda seed: periodic(seed, n),
        "periodic, 500 identifiers": lambda seed: periodic(seed, n, ids=500),
        "periodic, first bytes as in ISO 15765-2": lambda seed: periodic(seed, n, start_with=_FIRST_BYTES),
        "random, 50 identifiers of 11 bits": lambda seed: noise(seed, n, 50),
        "random, all identifiers of 11 bits": lambda seed: noise(seed, n, None),
        "random, 1000 identifiers of 29 bits": lambda seed: noise(seed, n, 1000, 1.0),
        "random, all identifiers of 29 bits": lambda seed: noise(seed, n, None, 1.0),
        "random, 11 and 29 bits mixed": lambda seed: noise(seed, n, 5000, 0.5),
        "random, first bytes as in ISO 15765-2": lambda seed: noise(seed, n, 500, first_bytes=_FIRST_BYTES),
    }
    bad = False
    for name, make in kinds.items():
        found = frames = 0
        for seed in range(options.seeds):
            capture = make(seed)
            frames += len(capture)
            found += len(exchanges(capture))
        bad |= found > 0 if name.startswith("periodic") else found * 100_000 >= frames
        print(f"{name:40s} {found:6,} exchanges in {frames:12,} frames", flush=True)
    return int(bad)


if __name__ == "__main__":
    sys.exit(main())
