"""The built wheel, installed elsewhere: the editable install of the tests would hide a forgotten package or file."""

import shutil
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
SOURCES = ("calibration", "measure", "cli", "pyproject.toml", "README.md", "LICENSE")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory) -> Path:
    """Build from a copy, so that no build folder is left in the project."""
    tree = tmp_path_factory.mktemp("tree")
    for name in SOURCES:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, tree / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(source, tree / name)
    out = tmp_path_factory.mktemp("wheel")
    command = [
        sys.executable,
        "-m",
        "pip",
        "wheel",
        "--quiet",
        "--no-deps",
        "--wheel-dir",
        str(out),
        str(tree),
    ]
    subprocess.run(command, check=True)
    (built,) = out.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def elsewhere(wheel, tmp_path_factory) -> Path:
    """Return the bin folder of a new environment that holds the wheel; its dependencies are borrowed from ours."""
    home = tmp_path_factory.mktemp("elsewhere")
    venv.create(home, with_pip=True)
    library = next((home / "lib").glob("python*")) / "site-packages"
    # Not a site directory, so its own .pth files (the editable install) are not followed.
    (library / "borrowed.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    subprocess.run(
        [home / "bin" / "python", "-m", "pip", "install", "--quiet", "--no-deps", wheel], check=True
    )
    return home / "bin"


def test_holds_every_source_file_and_no_stray_top_level_name(wheel):
    inside = set(zipfile.ZipFile(wheel).namelist())
    ours = {
        f"pickglass/{path.relative_to(ROOT).as_posix()}"
        for package in ("calibration", "measure", "cli")
        for path in (ROOT / package).rglob("*")
        if path.suffix in {".py", ".typed", ".onnx", ".j2"}
    }
    assert ours <= inside
    assert {name.split("/")[0] for name in inside if ".dist-info" not in name} == {"pickglass"}


def test_command_runs_from_the_wheel(elsewhere, tmp_path):
    where = subprocess.run(
        [elsewhere / "python", "-c", "import pickglass.measure as m; print(m.__file__)"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    assert str(elsewhere.parent) in where.stdout
    told = subprocess.run(
        [elsewhere / "pickglass", "--help"], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert "sett" in told.stdout


@pytest.mark.skipif(not list((ROOT / "sample_images").glob("*.jpg")), reason="no demo photos")
def test_wheel_measures_a_demo_photo(elsewhere, tmp_path):
    photo = min((ROOT / "sample_images").glob("*.jpg"))
    told = subprocess.run(
        [elsewhere / "pickglass", "sett", photo, "--json"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert told.returncode in (0, 3)
    assert '"schema": "pickglass.sett/1"' in told.stdout
