"""What a network can be taught: what it answers, how answers are compared with the truth, and how both are turned."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import torch
from torch import Tensor

from . import evidence, evidence_target, target, twins
from .model import WIDE, Network
from .target import CENTRE, DOWN, HEAT, RIGHT, SIZE, WEIGHT


@dataclass(frozen=True, slots=True)
class Lesson:
    """One thing to learn.

    Attributes
    ----------
    network
        Makes a new network for it.
    loss
        Given answers and target planes of a batch, returns the loss and its parts.
    parts
        What those are called.
    turned
        Mirrors and transposes features and target planes as the bits of a number (0…7) say.
    """

    network: Callable[[], Network]
    loss: Callable[[Tensor, Tensor], tuple[Tensor, Tensor]]
    parts: tuple[str, ...]
    turned: Callable[[Tensor, Tensor, int], tuple[Tensor, Tensor]]


def turned(shown: Tensor, wanted: Tensor, way: int) -> tuple[Tensor, Tensor, list[int]]:
    """Return a batch mirrored and transposed as the bits of `way` (0…7) say, and which phase each phase was."""
    phases = torch.arange(4).reshape(2, 2)
    for bit, axis in ((1, -2), (2, -1)):
        if way & bit:
            shown, wanted, phases = shown.flip(axis), wanted.flip(axis), phases.flip(axis)
    if way & 4:
        shown, wanted, phases = shown.transpose(-1, -2), wanted.transpose(-1, -2), phases.transpose(-1, -2)
    order = phases.reshape(-1).tolist()
    return shown[:, [*order, *range(4, shown.shape[1])]], wanted, order


def turned_centres(shown: Tensor, wanted: Tensor, way: int) -> tuple[Tensor, Tensor]:
    """Return a batch turned, the offsets of its centres with it."""
    shown, wanted, _ = turned(shown, wanted, way)
    planes = list(range(target.PLANES))
    signs = torch.ones(target.PLANES, dtype=wanted.dtype, device=wanted.device)
    signs[DOWN], signs[RIGHT] = (-1.0 if way & bit else 1.0 for bit in (1, 2))
    if way & 4:
        planes[DOWN], planes[RIGHT] = RIGHT, DOWN
    return shown, (wanted * signs[:, None, None])[:, planes]


def centres_loss(answer: Tensor, wanted: Tensor) -> tuple[Tensor, Tensor]:
    """Return the loss of a batch and its parts.

    Of the centres the penalty-reduced focal loss of Law & Deng, 'CornerNet', ECCV 2018, with α = 2, β = 4; of
    sizes and offsets the mean absolute error at the centres.
    """
    logit = answer[:, 0].float()
    wanted = wanted.float()
    centre, weight = wanted[:, CENTRE], wanted[:, WEIGHT]
    p = torch.sigmoid(logit)
    found = -torch.nn.functional.logsigmoid(logit) * (1 - p) ** 2 * centre
    false = -torch.nn.functional.logsigmoid(-logit) * p**2 * (1 - wanted[:, HEAT]) ** 4 * (1 - centre)
    count = centre.sum().clamp(min=1.0)
    heat = ((found + false) * weight).sum() / count
    here = centre * weight
    size = ((answer[:, 1].float() - wanted[:, SIZE]).abs() * here).sum() / count
    offset = ((answer[:, 2].float() - wanted[:, DOWN]).abs() * here).sum() / count
    offset = offset + ((answer[:, 3].float() - wanted[:, RIGHT]).abs() * here).sum() / count
    return heat + 0.1 * size + 0.2 * offset, torch.stack([heat, size, offset]).detach()


CENTRES = Lesson(
    network=partial(Network, (-5.0, 0.0, 0.0, 0.0)),
    loss=centres_loss,
    parts=("centre", "size", "offset"),
    turned=turned_centres,
)
"""Logit of a shadow's centre in the cell, log₂ of its width over 8 pixels, offsets down and right in cells."""


def turned_grains(shown: Tensor, wanted: Tensor, way: int) -> tuple[Tensor, Tensor]:
    """Return a batch turned, the places in each cell with it."""
    shown, wanted, order = turned(shown, wanted, way)
    return shown, wanted[:, [*order, *range(evidence_target.PHASES, evidence_target.PLANES)]]


def told(ratio: Tensor, wanted: Tensor) -> Tensor:
    """Return the cross-entropy of what lies in each place, a grain of one of the sizes or none, in nats a grain.

    Parameters
    ----------
    ratio
        ln of the likelihood ratio of each size to none, (n, sizes, phases, h, w). The logits are these plus ln of what
        is usual, so where the loss is least they are what pictures say, however many grains there were to learn from.
    """
    logits = torch.cat([torch.zeros_like(ratio[:, :1]), ratio + _usual(wanted)], dim=1)
    which = wanted[:, evidence_target.GRAIN].long()
    weight = wanted[:, None, evidence_target.WEIGHT]
    each = torch.nn.functional.cross_entropy(logits, which, reduction="none")
    return (each * weight).sum() / ((which > 0) * weight).sum().clamp(min=1.0)


def _usual(wanted: Tensor) -> Tensor:
    """Return ln of the share of places that hold a grain of each size, (n, sizes, 1, h, w)."""
    shares = torch.tensor(evidence_target.LN_SHARES, device=wanted.device)
    return wanted[:, None, None, evidence_target.PRIOR] + shares[:, None, None, None]


def evidence_loss(answer: Tensor, wanted: Tensor) -> tuple[Tensor, Tensor]:
    """Return the loss of a batch of frames and its parts."""
    wanted = wanted.float()
    ratio = _by_size(answer)
    left = told(ratio, wanted)
    with torch.no_grad():
        gained = told(torch.zeros_like(ratio), wanted) - left
    return left, torch.stack([left, gained]).detach()


def _by_size(answer: Tensor) -> Tensor:
    return answer.float().unflatten(1, (evidence_target.SIZES, evidence_target.PHASES))


EVIDENCE = Lesson(
    network=partial(Network, (0.0,) * (evidence_target.SIZES * evidence_target.PHASES), WIDE),
    loss=evidence_loss,
    parts=("left", "told"),
    turned=turned_grains,
)
"""ln of the likelihood ratio of a grain of each size, its centre in each place of the cell, to none. Told, in nats a
grain: how much better the answers predict what lies there than its being usual or not."""

SUMS = (4, 16)
"""Photographs of a roll whose answers are added up and compared with the truth, besides all of it."""


def found(ratio: Tensor, wanted: Tensor) -> Tensor:
    """Return the cross-entropy of whether a grain of any size lies in each place, in nats a grain.

    Places next to a grain's don't count: over a roll the sums for a grain at the border of two grow without end in
    both, and it is found in either. Arguments as of `told`.
    """
    any_size = torch.logsumexp(ratio + _usual(wanted), dim=1)
    grain = (wanted[:, evidence_target.GRAIN] > 0).float()
    weight = wanted[:, None, evidence_target.WEIGHT].expand_as(grain)
    logit, here, counts = (
        torch.nn.functional.pixel_shuffle(each, evidence_target.ACROSS) for each in (any_size, grain, weight)
    )
    near = torch.nn.functional.max_pool2d(here, 3, stride=1, padding=1)
    missed, false = torch.nn.functional.softplus(-logit) * here, torch.nn.functional.softplus(logit) * (1 - near)
    return ((missed + false) * counts).sum() / (here * counts).sum().clamp(min=1.0)


def rolls_loss(answer: Tensor, wanted: Tensor) -> tuple[Tensor, Tensor]:
    """Return the loss of a batch of rolls and its parts: of each photograph, and of sums as a roll takes them.

    An error that photographs share counts in a sum as often as it is added: what is hardly worth learning from one
    frame, that a faint shadow speaks neither for nor against itself, is most of what a long roll lives by.
    """
    wanted = wanted.float()
    ratio = _by_size(answer).unflatten(0, (len(wanted), -1))
    alone = told(ratio.flatten(0, 1), wanted.repeat_interleave(ratio.shape[1], dim=0))
    bounded = ratio.clamp(evidence.LEAST, evidence.MOST)
    counts = [*(count for count in SUMS if count < ratio.shape[1]), ratio.shape[1]]
    sums = [found(bounded[:, :count].sum(dim=1), wanted) for count in counts]
    return alone + sum(sums), torch.stack([alone, sums[0], sums[-1]]).detach()


ROLLS = replace(EVIDENCE, loss=rolls_loss, parts=("alone", f"of {SUMS[0]}", "of all"))
"""The same answers, taught by how they add up."""

TOLD = 2.0
"""Weight of pictures with grains as a camera records them beside pairs."""


def twins_loss(answer: Tensor, wanted: Tensor) -> tuple[Tensor, Tensor]:
    """Return the loss of a batch of twins and its parts: of the pictures with grains, and of the pairs."""
    wanted = wanted.float()
    grains, before, after = _by_size(answer).unflatten(0, (len(wanted), twins.SHOWN)).unbind(dim=1)
    left = told(grains, wanted)
    pairs = twins.twins_told(before, after, wanted)
    return TOLD * left + pairs, torch.stack([left, pairs]).detach()


def turned_twins(shown: Tensor, wanted: Tensor, way: int) -> tuple[Tensor, Tensor]:
    """Return a batch turned, the places in each cell with it, those of what was laid on too."""
    shown, wanted, order = turned(shown, wanted, way)
    kept = range(evidence_target.PHASES, evidence_target.PLANES)
    return shown, wanted[:, [*order, *kept, *(twins.TWIN.start + phase for phase in order)]]


TWINS = replace(EVIDENCE, loss=twins_loss, parts=("left", "twins"), turned=turned_twins)
"""The same answers, taught by faint shadows laid on a picture as well."""

LESSONS = {"centres": CENTRES, "evidence": EVIDENCE, "twins": TWINS, "rolls": ROLLS}
