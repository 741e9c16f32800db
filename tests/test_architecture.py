"""How the code is laid out: who may import whom."""
from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "analysis"
MODULES = sorted(PACKAGE.rglob("*.py"))

# In the order of the data: a step may know the results before it, never those after
STEPS = ("errors", "photo", "rectify", "register", "flatten", "stripes", "grain", "decide", "change", "machine",
         "pipeline", "report", "figures", "sheet", "__main__")


def imported(path: Path, *, run_time_only: bool = False) -> set[str]:
    """Modules that a file imports, inside functions too; `if TYPE_CHECKING` left out on request."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    skipped: set[ast.AST] = set()
    if run_time_only:
        for node in ast.walk(tree):
            if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test):
                skipped |= {inner for child in node.body for inner in ast.walk(child)}
    found: set[str] = set()
    for node in ast.walk(tree):
        if node in skipped:
            continue
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            found.add(node.module)
            found |= {f"{node.module}.{alias.name}" for alias in node.names if node.module.startswith("analysis")}
    return found


def ours(path: Path) -> set[str]:
    """Modules of the package that a file needs when it runs, by name below `analysis`."""
    names = {path.relative_to(PACKAGE).with_suffix("").as_posix().replace("/", ".") for path in MODULES}
    found = {name.removeprefix("analysis.") for name in imported(path, run_time_only=True)
             if name.startswith("analysis.")}
    return {name for name in found if name in names}


def test_there_are_modules_to_check():
    assert len(MODULES) > 30


def test_imports_go_upward_only():
    """No module reaches itself through its imports, and no step one that comes after it."""
    graph = {path.relative_to(PACKAGE).with_suffix("").as_posix().replace("/", "."): ours(path)
             for path in MODULES}
    reach: dict[str, set[str]] = {}

    def walk(name: str, above: tuple[str, ...]) -> set[str]:
        assert name not in above, f"circular imports: {' -> '.join([*above, name])}"
        if name not in reach:
            reach[name] = set(graph[name]).union(*(walk(other, (*above, name)) for other in graph[name]))
        return reach[name]

    for name in graph:
        walk(name, ())
    for i, step in enumerate(STEPS):
        below = reach[step] & set(STEPS[i + 1:])
        assert not below, f"{step} imports {', '.join(sorted(below))}, which comes after it"


@pytest.mark.parametrize(("library", "places"), [
    ("streamlit", ("page_parts/*",)), ("altair", ("page_parts/*",)),
    ("matplotlib", ("figures.py", "sheet.py", "sheet_html.py", "paper.py"))])
def test_display_libraries_are_imported_in_their_places_only(library, places):
    """The page's in the page's parts; matplotlib where the sheet is drawn."""
    for path in MODULES:
        if any(name.split(".")[0] == library for name in imported(path, run_time_only=True)):
            assert any(path.relative_to(PACKAGE).match(place) for place in places), path


def test_no_step_knows_the_page():
    for path in MODULES:
        if path.parent.name != "page_parts":
            assert not any(name.startswith(("analysis.page_parts", "streamlit_app")) for name in imported(path)), path


@pytest.mark.parametrize("name", ["requests", "urllib.request", "http.client", "socket", "ftplib", "smtplib"])
def test_nothing_in_the_package_can_ask_the_network(name):
    for path in [*MODULES, *ROOT.glob("*.py")]:
        assert not any(found == name or found.startswith(name + ".") for found in imported(path)), path


def test_no_module_is_a_drawer_of_oddments():
    assert not {"utils", "util", "helpers", "common", "misc"} & {path.stem for path in MODULES}


def test_help_loads_no_image_library():
    """The help text must not wait for them: it loads neither NumPy nor OpenCV nor SciPy."""
    code = ("import sys\nfrom analysis.__main__ import main\n"
            "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
            "loaded = {'numpy', 'cv2', 'scipy', 'skimage', 'PIL', 'matplotlib', 'streamlit'} & set(sys.modules)\n"
            "sys.exit(','.join(loaded) or 0)")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, timeout=60)
    assert done.returncode == 0, done.stderr
    assert "compare" in done.stdout


def test_public_names_are_there():
    import analysis
    for name in analysis.__all__:
        assert getattr(analysis, name) is not None
    assert set(analysis.__all__) <= set(dir(analysis))
    with pytest.raises(AttributeError, match="no attribute"):
        analysis.nothing_of_this_name  # noqa: B018  the access is the test


def test_version_is_that_of_the_project_file():
    import tomllib

    import analysis
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    assert project["project"]["version"] == analysis.__version__
