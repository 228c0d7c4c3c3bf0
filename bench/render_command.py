"""`moteyard render`: a suite's labelled frames on disk, for people who look and for those who train."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from tqdm import tqdm

from ..generators.scene import Frame, Scene, render
from .coco import coco
from .errors import YardError
from .sheet import write_sheet
from .suite import Suite
from .suite_file import load_suite


def render_suite(spec: str, *, out: Path, photos: Path | None, limit: int | None, namespace: str) -> int:
    """Write PNG files and truth.json, and return the exit status. Existing files are never replaced."""
    suite = load_suite(spec)
    if photos is not None:
        suite = suite.with_photographs(photos)
    for note in suite.notes():
        print(f"moteyard: {note}", file=sys.stderr)
    labels = out / "truth.json"
    if labels.exists():
        raise YardError(f"{labels} exists already; choose another --out")
    out.mkdir(parents=True, exist_ok=True)
    scenes = _limited(suite, namespace, limit)
    frames = []
    for scene in tqdm(scenes, unit="frame", desc=suite.name, file=sys.stderr):
        name = scene.name.replace("/", "-") + ".png"
        frame = render(scene)
        _write_picture(out / name, frame)
        frames.append((name, _labels_only(frame)))
    labels.write_text(json.dumps(coco(frames), indent=1) + "\n", encoding="utf-8")
    print(f"{len(frames)} frames and truth.json (COCO layout) written to {out}")
    return 0


def _labels_only(frame: Frame) -> Frame:
    """Return a frame without its pictures, of which a suite's would fill the memory."""
    nothing = np.zeros((0, 0, 3), dtype=np.float32)
    return replace(frame, pixels=nothing, clean=nothing, footprint=None, ignored=None)


def render_sheet(path: Path) -> int:
    """Write the contact sheet and return the exit status. An existing file is never replaced."""
    write_sheet(path)
    print(f"contact sheet written to {path}")
    return 0


def _limited(suite: Suite, namespace: str, limit: int | None) -> list[Scene]:
    scenes = list(suite.scenes(namespace))
    return [scene for scene in scenes if limit is None or int(scene.name.rsplit("/", 1)[1]) < limit]


def _write_picture(path: Path, frame: Frame) -> None:
    from ..generators.cv import cv2  # PNG of 8 and 16 bits; Pillow has no 16-bit colour

    if path.exists():
        raise YardError(f"{path} exists already; choose another --out")
    done, data = cv2.imencode(".png", frame.pixels[:, :, ::-1])
    if not done:
        raise YardError(f"{path} could not be encoded as PNG")
    path.write_bytes(data.tobytes())
