"""Teaching the network: crops of the examples at hand, turned and mirrored, while more are being rendered."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from .lessons import Lesson
from .model import Network

Made = tuple[NDArray[np.float16], ...]
"""Features (channels, 2h, 2w) and target planes (planes, h, w) of one frame, or (photographs, channels, 2h, 2w) of a
roll, and what else an example holds."""


@dataclass(frozen=True, slots=True)
class Course:
    """What to learn, how long and how fast.

    Attributes
    ----------
    lesson
        One of `LESSONS`.
    steps
        Batches in all; the rate of learning falls to nothing over them.
    batch, crop_cells
        Crops a batch, and cells along their side.
    rate
        Highest rate of learning, after the first fiftieth of the steps.
    seed
        For weights, crops and turns.
    answer_alone
        Whether all but the last layer stays as it is.
    average
        Memory of the running mean of the weights, which is what is kept.
    """

    lesson: Lesson
    steps: int = 20_000
    batch: int = 96
    crop_cells: int = 96
    rate: float = 2e-3
    seed: int = 0
    average: float = 0.999
    answer_alone: bool = False

    def rate_at(self, step: int) -> float:
        """Return the rate of learning: a linear rise, then half a cosine."""
        rise = max(1, self.steps // 50)
        if step < rise:
            return self.rate * (step + 1) / rise
        return self.rate * 0.5 * (1 + math.cos(math.pi * min(1.0, (step - rise) / max(1, self.steps - rise))))


@dataclass(frozen=True, slots=True)
class Going:
    """Where a course is kept, and how far it goes this time.

    Attributes
    ----------
    state
        File that is saved now and then, and taken up where it exists.
    start
        States of earlier courses whose mean networks' mean this one begins with: of a course and the one that went on
        from it the mean often does better than either (Wortsman et al., 'Model soups', ICML 2022).
    seconds
        Stop after them with the state saved.
    """

    state: Path
    start: Sequence[Path] = ()
    seconds: float = math.inf


@dataclass(slots=True)
class Pool:
    """Examples on the device, to which more can be added while they are drawn from; the oldest make room."""

    device: torch.device
    crop: int
    most: int = 20_000
    shown: list[Tensor] = field(default_factory=list)
    wanted: list[Tensor] = field(default_factory=list)
    besides: list[tuple[Tensor, ...]] = field(default_factory=list)
    area: list[float] = field(default_factory=list)
    seen: int = 0

    def add(self, made: Made) -> None:
        """Add a frame, or a roll's; one smaller than a crop is widened by cells that don't count."""
        shown, wanted, *besides = (torch.from_numpy(plane) for plane in made)
        down, right = (max(0, self.crop - side) for side in wanted.shape[1:])
        shown = torch.nn.functional.pad(shown, (0, 2 * right, 0, 2 * down))
        wanted = torch.nn.functional.pad(wanted, (0, right, 0, down))
        if len(self.area) == self.most:
            for kept in (self.shown, self.wanted, self.besides, self.area):
                del kept[0]
        self.shown.append(shown.to(self.device))
        self.wanted.append(wanted.to(self.device))
        self.besides.append(tuple(each.to(self.device) for each in besides))
        self.area.append(float(wanted.shape[1] * wanted.shape[2]))
        self.seen += 1

    def draw(self, count: int, rng: np.random.Generator) -> tuple[Tensor, Tensor]:
        """Return `count` crops, frames drawn by their area; of rolls, as many for each photograph."""
        shown, wanted = self.crops(self.picks(count, rng), rng)
        return shown.flatten(0, -4), wanted

    def picks(self, count: int, rng: np.random.Generator) -> list[int]:
        """Return the indices of `count` frames, drawn by their area."""
        shares = np.array(self.area)
        found: list[int] = rng.choice(len(shares), size=count, p=shares / shares.sum()).tolist()
        return found

    def crops(self, picks: Sequence[int], rng: np.random.Generator) -> tuple[Tensor, Tensor]:
        """Return features and targets of a crop of each frame, stacked."""
        shown, wanted = zip(*(self._crop(pick, rng) for pick in picks), strict=True)
        return torch.stack(shown), torch.stack(wanted)

    def _crop(self, pick: int, rng: np.random.Generator) -> tuple[Tensor, Tensor]:
        shown, wanted, side = self.shown[pick], self.wanted[pick], self.crop
        top, left = (int(rng.integers(0, length - side + 1)) for length in wanted.shape[1:])
        return (
            shown[..., 2 * top : 2 * (top + side), 2 * left : 2 * (left + side)],
            wanted[:, top : top + side, left : left + side],
        )


def teach(
    pool: Pool,
    course: Course,
    going: Going,
    *,
    more: Callable[[], Iterator[Made]] | None = None,
    note: Callable[[int, dict[str, float]], None] | None = None,
) -> Network:
    """Return the mean network of a course.

    Parameters
    ----------
    more
        Gives the examples that have been rendered since it was last asked.
    note
        Told step and mean losses every hundred steps.
    """
    learner = Learner(pool, course, going)
    began, recent = time.monotonic(), []
    for step in range(learner.done, course.steps):
        if more is not None and step % 20 == 0:
            for pair in more():
                pool.add(pair)
        recent.append(learner.step(step))
        if note is not None and (step + 1) % 100 == 0:
            note(step + 1, dict(zip(course.lesson.parts, torch.stack(recent).mean(dim=0).tolist(), strict=True)))
            recent = []
        over = time.monotonic() - began > going.seconds
        if over or (step + 1) % 2000 == 0 or step + 1 == course.steps:
            learner.save(step + 1)
        if over:
            break
    return learner.mean_network()


class Learner:
    """The network, its running mean and the optimiser, one step at a time."""

    def __init__(self, pool: Pool, course: Course, going: Going) -> None:
        torch.manual_seed(course.seed)
        self.pool, self.course, self.state = pool, course, going.state
        self.network = course.lesson.network().to(pool.device)
        if going.start:
            self._begin_with(
                _mean([torch.load(each, map_location=pool.device, weights_only=True) for each in going.start])
            )
        self.mean = {name: value.detach().clone() for name, value in self.network.state_dict().items()}
        if course.answer_alone:
            self.network.requires_grad_(False).answer.requires_grad_(True)
        learning = [weights for weights in self.network.parameters() if weights.requires_grad]
        self.adam = torch.optim.AdamW(learning, lr=course.rate, weight_decay=0.0 if course.answer_alone else 1e-2)
        self.done = self._resume() if going.state.exists() else 0
        self.rng = np.random.default_rng([course.seed, self.done])

    def step(self, step: int) -> Tensor:
        """Learn from one batch and return the parts of its loss."""
        for group in self.adam.param_groups:
            group["lr"] = self.course.rate_at(step)
        shown, wanted = self.course.lesson.turned(
            *self.pool.draw(self.course.batch, self.rng), int(self.rng.integers(8))
        )
        shown = shown.float().contiguous(memory_format=torch.channels_last)
        with torch.autocast(self.pool.device.type, dtype=torch.bfloat16, enabled=self.pool.device.type == "cuda"):
            answer = self.network(shown)
        total, parts = self.course.lesson.loss(answer, wanted)
        self.adam.zero_grad(set_to_none=True)
        total.backward()
        torch.nn.utils.clip_grad_norm_(self.network.parameters(), 5.0)
        self.adam.step()
        keep = min(self.course.average, (step + 1) / (step + 10))
        torch._foreach_lerp_(list(self.mean.values()), list(self.network.state_dict().values()), 1 - keep)
        return parts

    def mean_network(self) -> Network:
        """Return a network with the mean weights."""
        network = self.course.lesson.network().to(self.pool.device)
        network.load_state_dict(self.mean)
        return network.eval()

    def save(self, step: int) -> None:
        """Save the state whole: a new file first, then in the place of the old one."""
        kept: dict[str, Any] = {
            "step": step,
            "network": self.network.state_dict(),
            "mean": self.mean,
            "adam": self.adam.state_dict(),
        }
        beside = self.state.with_suffix(".new")
        torch.save(kept, beside)
        beside.replace(self.state)

    def _begin_with(self, weights: dict[str, Tensor]) -> None:
        """Take over all but another lesson's last layer.

        Raises
        ------
        ValueError
            If any other layer has another shape.
        """
        own = self.network.state_dict()
        unfit = [name for name in own if weights.get(name, own[name]).shape != own[name].shape]
        if any(not name.startswith("answer.") for name in unfit):
            raise ValueError(f"the network to begin with has other widths: {', '.join(unfit)}")
        own.update({name: value for name, value in weights.items() if value.shape == own[name].shape})
        self.network.load_state_dict(own)

    def _resume(self) -> int:
        kept = torch.load(self.state, map_location=self.pool.device, weights_only=True)
        self.network.load_state_dict(kept["network"])
        for name, value in kept["mean"].items():
            self.mean[name].copy_(value)
        self.adam.load_state_dict(kept["adam"])
        return int(kept["step"])


def _mean(states: Sequence[dict[str, Any]]) -> dict[str, Tensor]:
    """Return the mean of the states' mean weights.

    Raises
    ------
    ValueError
        If the networks have other shapes.
    """
    first, *others = (state["mean"] for state in states)
    for other in others:
        if {name: value.shape for name, value in other.items()} != {name: value.shape for name, value in first.items()}:
            raise ValueError("the networks to begin with have different shapes")
    return {name: torch.stack([value, *(other[name] for other in others)]).mean(dim=0) for name, value in first.items()}


def export(network: Network, path: Path, *, cells: int) -> None:
    """Write the network as ONNX for tiles of cells × cells and, for runtimes that can, any size."""
    from .features import CHANNELS

    network = network.cpu().eval()
    blank = torch.zeros(1, CHANNELS, 2 * cells, 2 * cells)
    sides = {2: "rows", 3: "columns"}
    torch.onnx.export(
        network,
        (blank,),
        str(path),
        input_names=["shown"],
        output_names=["answer"],
        dynamic_axes={"shown": sides, "answer": sides},
        opset_version=13,
        dynamo=False,
    )
