"""Training frames from worker processes, while the network learns."""

from __future__ import annotations

import multiprocessing
import queue
import threading
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait

import numpy as np
from numpy.typing import NDArray

from ...generators.cv import cv2
from .example import example
from .recipe import Recipe

Made = tuple[NDArray[np.float16], ...]
"""Features and target planes of a frame or a roll, and stamps where there are any."""

AHEAD = 200
"""Frames asked for at a time: enough for any number of cores."""


def rendered(recipe: Recipe, number: int) -> Made:
    """Return a recipe's example."""
    cv2.setNumThreads(1)
    made = example(recipe, number)
    return (made.shown, made.wanted) if made.stamps is None else (made.shown, made.wanted, made.stamps)


class Rendering:
    """Frames as worker processes finish them; the first mistake of a worker is raised where frames are taken."""

    def __init__(self, recipe: Recipe, *, numbers: range, workers: int) -> None:
        self._done: queue.Queue[Made | BaseException] = queue.Queue()
        self._workers = ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn"))
        threading.Thread(target=self._feed, args=(recipe, numbers), daemon=True).start()

    def _feed(self, recipe: Recipe, numbers: range) -> None:
        try:
            waiting: set[Future[Made]] = set()
            for number in numbers:
                waiting.add(self._workers.submit(rendered, recipe, number))
                if len(waiting) >= AHEAD:
                    waiting = self._collect(waiting)
            while waiting:
                waiting = self._collect(waiting)
        except BaseException as error:
            self._done.put(error)

    def _collect(self, waiting: set[Future[Made]]) -> set[Future[Made]]:
        done, rest = wait(waiting, return_when=FIRST_COMPLETED)
        for each in done:
            self._done.put(each.result())
        return rest

    def next(self) -> Made:
        """Return the next frame, waiting for it."""
        return _or_raise(self._done.get())

    def waiting(self) -> Iterator[Made]:
        """Yield the frames that are there now."""
        while True:
            try:
                found = self._done.get_nowait()
            except queue.Empty:
                return
            yield _or_raise(found)

    def stop(self) -> None:
        """Stop rendering."""
        self._workers.shutdown(wait=False, cancel_futures=True)


def _or_raise(found: Made | BaseException) -> Made:
    if isinstance(found, BaseException):
        raise found
    return found
