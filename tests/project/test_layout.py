"""The shape of the repository: top level, file length, names, imports."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MOST_LINES = 300
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "service",
    "migrations",
    "tests",
    "openapi",
    "docker",
}
DRAWERS = {"utils", "util", "helpers", "helper", "common", "misc", "base", "core", "lib"}


def tracked() -> list[Path]:
    """Files git knows, or all files where there is no git."""
    listed = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    names = listed.stdout.splitlines() if listed.returncode == 0 else []
    return [Path(name) for name in names if (ROOT / name).exists()]


@pytest.fixture(scope="module")
def files() -> list[Path]:
    """Every file of the project, relative to its root."""
    found = tracked()
    if not found:
        found = [
            path.relative_to(ROOT) for room in ("service", "tests") for path in (ROOT / room).rglob("*.py")
        ]
    return found


def test_top_level_holds_what_the_design_names_and_dotfiles(files: list[Path]) -> None:
    """Nothing else lies beside the README."""
    top = {path.parts[0] for path in files}
    assert {name for name in top if not name.startswith(".")} <= TOP_LEVEL


def test_no_python_file_is_over_300_lines(files: list[Path]) -> None:
    """A file that grows past the limit holds two things."""
    code = [path for path in files if path.suffix == ".py"]
    assert code
    long = {str(p): n for p in code if (n := len((ROOT / p).read_text("utf-8").splitlines())) > MOST_LINES}
    assert long == {}


def test_no_module_is_a_drawer(files: list[Path]) -> None:
    """A function without a home lacks a noun, not a drawer."""
    named = [path for path in files if path.suffix == ".py" and DRAWERS & {path.stem, *path.parts[:-1]}]
    assert named == []


def test_rooms_import_only_downwards() -> None:
    """The layers of the design hold, none left out."""
    script = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run([script], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


NOT_SERVING = (
    "alembic",
    "babel",
    "dask",
    "httpx",
    "jwt",
    "numpy",
    "opentelemetry.sdk",
    "pandas",
    "pyarrow",
    "redis",
    "rich",
)


def test_serving_imports_nothing_it_does_not_use(tmp_path: Path) -> None:
    """A worker as it is started by default is fast and small: no migrations, arrays, extras."""
    code = (
        "import sys, service.app; service.app.create_worker(); "
        f"print([name for name in {NOT_SERVING} if name in sys.modules])"
    )
    url = f"sqlite:///{tmp_path}/effort.db"
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=ROOT,
        env={"EFFORT_DATABASE_URL": url, "PATH": ""},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stdout.strip() == "[]", done.stderr
