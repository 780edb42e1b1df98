"""What is shipped works: the wheel, in an environment of its own, shows the demo."""

import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


def run(*command, cwd):
    done = subprocess.run([str(part) for part in command], cwd=cwd, check=False, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    out = tmp_path_factory.mktemp("wheel")
    run(sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", out, ROOT, cwd=out)
    (path,) = out.glob("*.whl")
    return path


def test_the_wheel_carries_the_demo_and_no_tests(wheel):
    names = zipfile.ZipFile(wheel).namelist()
    assert "decoder/bundled/harbour_shuttle.log.xz" in names
    assert "decoder/bundled/harbour_shuttle.dbc" in names
    assert "decoder/bundled/harbour_shuttle.toml" in names
    assert {"decoder/report/report.html.j2", "decoder/report/report.css"} <= set(names)
    assert not [name for name in names if name.startswith(("tests", "tools"))]


def test_the_demo_runs_from_the_wheel_in_a_clean_environment(wheel, tmp_path):
    venv.create(tmp_path / "env", with_pip=False)
    folder = "Scripts" if sys.platform == "win32" else "bin"
    python = tmp_path / "env" / folder / ("python.exe" if sys.platform == "win32" else "python")
    run(sys.executable, "-m", "pip", "--python", python, "install", "--no-deps", "--no-index", wheel, cwd=tmp_path)
    site = run(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))", cwd=tmp_path).strip()
    # What cellglean needs comes from where the tests have it; cellglean itself only from the wheel.
    (Path(site) / "needed.pth").write_text(sysconfig.get_path("purelib") + "\n", "utf-8")
    home = run(python, "-c", "import decoder; print(decoder.__file__)", cwd=tmp_path)
    assert str(tmp_path) in home
    text = run(tmp_path / "env" / folder / "cellglean", "demo", "--text", cwd=tmp_path)
    assert "module-spread" in text
    assert "module 4 cell 11" in text
