"""Makes the project's own Python environment in .venv. Standard library only; Linux, macOS and Windows."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
FOLDER = ROOT / ".venv"
STAMP = FOLDER / "installed.txt"
OLDEST = (3, 11)


def python() -> Path:
    """Give the environment's interpreter."""
    return FOLDER / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def ready(extra: str) -> Path:
    """Give an environment with the project and `extra` ('' or 'test') installed; quick if it is there already."""
    if sys.version_info < OLDEST:
        sys.exit(f"cellglean needs Python {OLDEST[0]}.{OLDEST[1]} or newer; this is {sys.version.split()[0]}")
    wanted = _wanted()
    have = _installed()
    if python().exists() and have.get("project") == wanted and extra in have.get("extras", "").split(","):
        return python()
    if not python().exists():
        print(f"making {FOLDER.name} with Python {sys.version.split()[0]}", flush=True)
        shutil.rmtree(FOLDER, ignore_errors=True)
        venv.create(FOLDER, with_pip=True)
    what = f".[{extra}]" if extra else "."
    print(f"installing cellglean and what it needs ({what})", flush=True)
    command = [str(python()), "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--editable", what]
    status = subprocess.run(command, cwd=ROOT, check=False).returncode
    if status:
        sys.exit(f"installing failed (status {status}); the lines above say why")
    extras = {extra} if have.get("project") != wanted else {extra, *have.get("extras", "").split(",")}
    STAMP.write_text(f"project={wanted}\nextras={','.join(sorted(extras | {''}))}\n", "utf-8")
    return python()


def _wanted() -> str:
    """Give a number for what must be installed: it changes when pyproject.toml, the folder or Python does."""
    text = (ROOT / "pyproject.toml").read_bytes() + str(ROOT).encode() + sys.version.encode()
    return hashlib.sha256(text).hexdigest()


def _installed() -> dict[str, str]:
    try:
        lines = STAMP.read_text("utf-8").splitlines()
    except OSError:
        return {}
    return dict(line.split("=", 1) for line in lines if "=" in line)
