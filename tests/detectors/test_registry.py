import subprocess
import sys
from importlib.metadata import EntryPoint, EntryPoints
from pathlib import Path
from types import SimpleNamespace

import pytest

from moteyard.detectors import DetectorError, entries, fingerprint, load, names, registry

EXAMPLE = Path(__file__).parents[1] / "examples" / "darkest.py"


def registered(monkeypatch, *points):
    """Pretend that exactly these (name, value, distribution) are installed."""
    made = [EntryPoint(name, value, registry.GROUP)._for(SimpleNamespace(name=owner)) for name, value, owner in points]
    monkeypatch.setattr(registry, "entry_points", lambda **wanted: EntryPoints(made).select(**wanted))


def test_every_name_loads_what_it_names():
    for name in names():
        assert load(name).name == name


def test_the_list_has_versions_and_summaries():
    for entry in entries():
        assert entry.problem is None
        assert entry.version
        assert entry.summary


def test_an_unknown_name_lists_the_known_and_the_nearest():
    with pytest.raises(DetectorError, match=r"unknown detector 'matchd' \(did you mean 'matched'\?\); known are .*dog"):
        load("matchd")


def test_nothing_near_suggests_nothing():
    with pytest.raises(DetectorError, match=r"unknown detector 'xyzzy'; known are"):
        load("xyzzy")


def test_a_broken_plug_in_is_listed_with_its_problem(monkeypatch):
    registered(monkeypatch, ("broken", "no_such_module_anywhere:Thing", "strangers"))
    (entry,) = entries()
    assert (entry.name, entry.version, entry.where) == (
        "broken",
        None,
        "strangers (no_such_module_anywhere:Thing)",
    )
    assert entry.problem == (
        "detector 'broken' of strangers (no_such_module_anywhere:Thing) cannot be imported: "
        "ModuleNotFoundError: No module named 'no_such_module_anywhere'"
    )


def test_two_owners_of_one_name(monkeypatch):
    one = "moteyard.detectors.controls:Nothing"
    registered(monkeypatch, ("mine", one, "theirs"), ("mine", one, "others"))
    with pytest.raises(DetectorError, match=r"'mine' is registered twice, by theirs .* and others .*; uninstall one"):
        load("mine")


def test_what_is_no_detector(monkeypatch):
    registered(monkeypatch, ("fraction", "fractions:Fraction", "x"), ("function", "os.path:join", "x"))
    with pytest.raises(DetectorError, match="fraction is no detector: it lacks detect, name, version"):
        load("fraction")
    with pytest.raises(DetectorError, match="function is not a class but function"):
        load("function")


def test_a_file_names_its_class():
    assert load(f"{EXAMPLE}:Darkest").name == "darkest"


def test_missing_file_and_missing_class():
    with pytest.raises(DetectorError, match=r"there is no detector file nowhere\.py"):
        load("nowhere.py:Mine")
    with pytest.raises(DetectorError, match=r"darkest\.py has no class 'Mine'; it has Darkest"):
        load(f"{EXAMPLE}:Mine")


@pytest.mark.parametrize(
    ("source", "message"),
    [
        ("import no_such_module_anywhere", "cannot be imported: ModuleNotFoundError"),
        ("def (", "cannot be imported: SyntaxError"),
        ("class Mine:\n    def __init__(self, x): ...", "cannot be constructed without arguments: TypeError"),
        ("class Mine: name = version = 'x'", "is no detector: it lacks detect"),
    ],
)
def test_a_broken_file_is_explained(tmp_path, source, message):
    file = tmp_path / "mine.py"
    file.write_text(source)
    with pytest.raises(DetectorError, match=message):
        load(f"{file}:Mine")


def test_fingerprint_follows_the_code(tmp_path):
    files = [tmp_path / name for name in ("a.py", "b.py")]
    for file in files:
        file.write_text(EXAMPLE.read_text())
    first, second = (fingerprint(load(f"{file}:Darkest")) for file in files)
    assert first == second
    assert first.startswith("darkest-1-")
    files[1].write_text(EXAMPLE.read_text().replace("0.005", "0.006"))
    assert fingerprint(load(f"{files[1]}:Darkest")) != first


def test_fingerprint_follows_helpers():
    sources = {path.name for path in registry._sources(type(load("matched")))}
    assert {
        "matched.py",
        "whitening.py",
        "profiles.py",
        "scan.py",
        "peaks.py",
        "shadow.py",
        "contract.py",
    } <= sources
    assert "blackhat.py" not in sources


def test_names_import_nothing_heavy():
    heavy = {"cv2", "scipy", "skimage", "matplotlib", "pandas"}
    code = "import sys, moteyard.detectors as d; d.names(); print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not heavy & set(done.stdout.split())
