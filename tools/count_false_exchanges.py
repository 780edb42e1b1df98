"""Count exchanges found where there are none: in periodic and in random traffic. Any that is found is false.

    .venv/bin/python tools/count_false_exchanges.py [--frames N] [--seeds K]

For each kind of traffic K (5) captures of N (1,000,000) frames.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # so that it runs from a clone that is not installed

from decoder.transport.exchanges import exchanges
from tools.traffic import at_random, periodic


def main() -> int:
    """Count and print; status 1 if periodic traffic gives any, or random traffic one in 100,000 frames or more."""
    arguments = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    arguments.add_argument("--frames", type=int, default=1_000_000)
    arguments.add_argument("--seeds", type=int, default=5)
    options = arguments.parse_args()
    kinds = {
        "periodic, 100 identifiers": lambda seed: periodic(seed, options.frames),
        "periodic, 20 identifiers": lambda seed: periodic(1000 + seed, options.frames, 20),
        "random, 50 identifiers of 11 bits": lambda seed: at_random(seed, options.frames, 50),
        "random, 2048 identifiers of 11 bits": lambda seed: at_random(seed, options.frames, 2048),
        "random, 1000 identifiers of 29 bits": lambda seed: at_random(seed, options.frames, 1000, extended=True),
        "random, every frame another identifier": lambda seed: at_random(seed, options.frames, 1 << 26, extended=True),
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
