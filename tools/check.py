"""All checks of the project, on a machine with nothing but Python: sets up, then lint, types, layers, tests.

What follows on the command line goes to pytest: ``python3 tools/check.py -k absent``.
"""

from __future__ import annotations

import subprocess
import sys
import time
from typing import TYPE_CHECKING

from environment import ROOT, ready

if TYPE_CHECKING:
    from pathlib import Path

_CODE = ["decoder", "tests", "tools"]
_CHECKS = (
    ("lint", ["-m", "ruff", "check", "--quiet", *_CODE]),
    ("format", ["-m", "ruff", "format", "--check", "--quiet", *_CODE]),
    ("types", ["-m", "mypy", "--no-error-summary"]),
    ("layers", ["-c", "from importlinter.cli import lint_imports_command; lint_imports_command()", "--no-cache"]),
)


def main() -> int:
    """Run each check, say how long it took. Status 1 if any failed."""
    interpreter = ready("test")
    failed = [name for name, arguments in _CHECKS if not _passes(interpreter, name, arguments)]
    if failed:
        print("failed: " + ", ".join(failed), flush=True)
    # The tests come last, and nothing is printed after their summary.
    print("== tests", flush=True)
    tests = [str(interpreter), "-m", "pytest", *sys.argv[1:]]
    status = subprocess.run(tests, cwd=ROOT, check=False).returncode
    return 1 if failed else status


def _passes(interpreter: Path, name: str, arguments: list[str]) -> bool:
    began = time.monotonic()
    print(f"== {name}", flush=True)
    status = subprocess.run([str(interpreter), *arguments], cwd=ROOT, check=False).returncode
    print(f"   {name}: {'failed' if status else 'passed'} in {time.monotonic() - began:.1f} s", flush=True)
    return status == 0


if __name__ == "__main__":
    sys.exit(main())
