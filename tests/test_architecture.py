"""The architecture is the import direction, and the installed packages are the tree."""

import ast
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
LAYERS = ("generators", "detectors", "bench")
PHYSICS = {"optics", "shadow", "shadow_table", "transfer", "cv"}


def modules():
    return [path for layer in LAYERS for path in sorted((ROOT / layer).rglob("*.py"))]


def imported(path):
    """Yield (layer, rest of the dotted name) of each import inside the project."""
    package = path.relative_to(ROOT).with_suffix("").parts[:-1]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            dotted = [alias.name.split(".") for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = list(package[: len(package) - node.level + 1]) if node.level else []
            if node.level:
                base = ["moteyard", *base]
            stem = base + (node.module.split(".") if node.module else [])
            dotted = [[*stem, alias.name] for alias in node.names]
        else:
            continue
        yield from ((name[1], name[2:]) for name in dotted if name[0] == "moteyard" and len(name) > 1)


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(ROOT)))
def test_imports_run_downward(path):
    layer = path.relative_to(ROOT).parts[0]
    for target, rest in imported(path):
        assert LAYERS.index(target) <= LAYERS.index(layer), f"{path} imports upward from {target}"
        if layer == "detectors" and target == "generators":
            assert rest[0] in PHYSICS, f"{path} may know optics and shadows, not {rest[0]}"


def test_repairs_never_see_the_truth():
    known = PHYSICS
    for path in sorted((ROOT / "bench" / "repairs").glob("*.py")):
        for target, rest in imported(path):
            assert target != "bench" or rest[0] == "repairs", f"{path} may know no other part of bench than {rest[0]}"
            assert target != "generators" or rest[0] in known, f"{path} may know optics and shadows, not {rest[0]}"


def test_packages_list_the_tree():
    table = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]
    inits = [init.parent.relative_to(ROOT) for layer in LAYERS for init in (ROOT / layer).rglob("__init__.py")]
    found = {".".join(("moteyard", *folder.parts)) for folder in inits}
    assert set(table["packages"]) == found
    assert table["package-dir"] == {name: name.removeprefix("moteyard.").replace(".", "/") for name in found}


def test_every_module_is_in_a_listed_package():
    for path in modules():
        assert (path.parent / "__init__.py").exists(), f"{path.parent} has no __init__.py and would not be installed"


def test_help_loads_nothing_heavy():
    code = (
        "import sys, contextlib, io; from moteyard.bench.cli import main\n"
        "with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit): main(['--help'])\n"
        "print([name for name in ('numpy', 'scipy', 'cv2', 'pandas', 'matplotlib', 'PIL') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_retouching_loads_no_renderer_and_no_statistics():
    """Between them they took half of what the first photograph waits for."""
    heavy = ("scipy.stats", "scipy.integrate", "scipy.sparse", "moteyard.generators.scene")
    code = (
        "import sys, moteyard.bench.field.find, moteyard.bench.retouch.photographs, moteyard.bench.retouch.plan\n"
        f"print([name for name in {heavy} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
