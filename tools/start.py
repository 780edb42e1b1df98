"""First start: sets everything up and opens the bundled capture, decoded and judged.

Any other verb of cellglean can be named: ``python3 tools/start.py judge bench.log --map pack.dbc``.
"""

from __future__ import annotations

import subprocess
import sys

from environment import ROOT, ready


def main() -> int:
    """Set up, then run cellglean."""
    interpreter = ready("")
    arguments = sys.argv[1:] or ["demo"]
    try:
        return subprocess.run([str(interpreter), "-m", "decoder.commands", *arguments], check=False).returncode
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    print(f"cellglean in {ROOT.name}", flush=True)
    sys.exit(main())
