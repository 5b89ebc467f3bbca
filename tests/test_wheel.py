"""The wheel, installed where no checkout is: all that it needs is in it, and nothing else."""

import os
import shutil
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

HOUSE = Path(__file__).parent.parent
pytestmark = pytest.mark.long
PACKAGES = ("harness", "drivers", "procedures")
NOT_DATA = {".py", ".pyc", ".md"}
SHORT = ("--insertions=2", "--sweeps=1")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    """Built from a copy of what the distribution is made of, so that nothing is left behind."""
    folder = tmp_path_factory.mktemp("built")
    copy = folder / "checkout"
    copy.mkdir()
    for name in PACKAGES:
        shutil.copytree(HOUSE / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copyfile(HOUSE / name, copy / name)
    build = ("wheel", "--quiet", "--no-deps", "--no-build-isolation", "--no-index")
    subprocess.run(
        [sys.executable, "-m", "pip", *build, "--wheel-dir", folder, copy],
        check=True, timeout=110,
    )  # fmt: skip
    return next(folder.glob("*.whl"))


@pytest.fixture(scope="module")
def tareline(wheel, tmp_path_factory):
    """The command of an environment that has the wheel, and sees what else is installed here."""
    folder = tmp_path_factory.mktemp("installed")
    venv.create(folder / "venv", with_pip=False)
    python = Path(sysconfig.get_path("scripts", vars={"base": str(folder / "venv")})) / "python"
    site = Path(sysconfig.get_path("purelib", vars={"base": str(folder / "venv")}))
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(site)
    others = [path for path in sys.path if path.endswith("site-packages")]
    (site / "others.pth").write_text("\n".join(others), "utf-8")
    environment = {k: v for k, v in os.environ.items() if not k.startswith("PYTHON")}

    def run(*words, status=0):
        main = "from harness.commands.start import main; main()"
        done = subprocess.run(
            [python, "-c", main, *map(str, words)],
            cwd=folder, env=environment, capture_output=True, text=True, check=False, timeout=110,
        )  # fmt: skip
        assert done.returncode == status, done.stderr
        return done.stdout

    where = subprocess.run(
        [python, "-c", "import harness; print(harness.__file__)"],
        cwd=folder, env=environment, capture_output=True, text=True, check=True, timeout=110,
    ).stdout  # fmt: skip
    assert Path(where).is_relative_to(folder), "the checkout is met instead"
    return run, folder


def test_all_data_is_in_it_and_nothing_else(wheel):
    with zipfile.ZipFile(wheel) as packed:
        inside = {name for name in packed.namelist() if ".dist-info/" not in name}
    assert {name.partition("/")[0] for name in inside} == set(PACKAGES)
    data = {
        str(path.relative_to(HOUSE))
        for package in PACKAGES
        for path in (HOUSE / package).rglob("*")
        if path.is_file() and path.suffix not in NOT_DATA
    }
    assert {name for name in inside if not name.endswith((".py", ".md"))} == data
    code = {
        str(path.relative_to(HOUSE))
        for package in PACKAGES
        for path in (HOUSE / package).rglob("*.py")
    }
    assert {name for name in inside if name.endswith(".py")} == code


def test_an_item_is_measured_reported_and_verified_with_it(tareline):
    run, folder = tareline
    run("init", "bench")
    files = ("--station", "bench/station.toml", "--items", "bench/items.toml")
    run("run", "qualify", "--item", "PIG-0451", "--results", "runs", *files, *SHORT)
    (file,) = (folder / "runs").glob("*.h5")
    assert "PIG-0451" in run("report", file)
    assert file.with_suffix(".html").is_file()
    assert "good" in run("verify", file)
