import builtins
import importlib.util

import pytest

from moteyard.generators import cv


@pytest.mark.parametrize(
    ("library", "package"),
    [
        ("libGL.so.1", "libgl1"),
        ("libgthread-2.0.so.0", "libglib2.0-0t64"),
        ("libglib-2.0.so.0", "libglib2.0-0t64"),
        ("libxcb.so.1", "libxcb1"),
    ],
)
def test_a_missing_library_names_its_package(monkeypatch, library, package):
    real = builtins.__import__

    def lacking(name, *rest):
        if name == "cv2":
            raise ImportError(f"{library}: cannot open shared object file: No such file or directory")
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", lacking)
    spec = importlib.util.spec_from_file_location("cv_again", cv.__file__)
    with pytest.raises(ImportError, match=f"OpenCV needs the shared library {library}; .*apt-get install {package}"):
        spec.loader.exec_module(importlib.util.module_from_spec(spec))


def test_not_installed():
    assert cv.explain(ModuleNotFoundError("No module named 'cv2'")).endswith("pip install opencv-python")


def test_any_other_reason_is_passed_on():
    assert cv.explain(ImportError("bad magic")) == "OpenCV cannot be imported: bad magic"
