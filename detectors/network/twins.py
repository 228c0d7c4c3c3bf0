"""The same picture with and without faint shadows: what they change is learned without the ground's own play.

Of a faint shadow a photograph says little, s² / 2 nats where the optimal response moves by s standard deviations. A
lesson that compares shadows with other places sees that little under the ground's play at both, which is of order s.
With the same picture before and after, the play is common to both and cancels: a control variate in the sense of
Monte Carlo integration (Hammersley & Handscomb, Monte Carlo Methods, 1964, ch. 5, from memory).
"""

from __future__ import annotations

import math

import torch
from torch import Tensor

from .evidence import LEAST, MOST
from .evidence_target import ACROSS, PHASES, PLANES, TOGETHER, WEIGHT
from .features import GAIN

SHOWN = 3
"""Pictures of each example: with grains as a camera records them, without, and that with shadows laid on it."""

TWIN = slice(PLANES, PLANES + PHASES)
"""Planes of a target after the usual ones: the same as `GRAIN` for the shadows that were laid on."""

BEND = 3.0
"""Where the loss of an answer turns from exponential to linear, in nats; see `twin_loss`."""

AT_REST = math.log1p(math.exp(BEND)) + math.exp(BEND) * math.log1p(math.exp(-BEND))
"""The loss of a size of which nothing is said: what is gained reads as less than nothing."""

OF_SUMS = 0.3
"""Weight of sums beside pictures one by one."""

EMPHASIS = (4.0, 4.0, 3.0, 2.5, 2.0, 1.5)
"""Weights of the twinned sizes' losses: the smallest have the least to say and count most over a roll."""


def laid_on(clean: Tensor, log: Tensor) -> Tensor:
    """Return features (n, channels, h, w) of pictures whose light is multiplied by exp(log), (n, 2h, 2w).

    Shadows take all colours alike but for a few per cent, so the ratios stay. What a contrast is taken against is a
    mean over many shadows' widths and stays too.
    """
    out = clean.clone()
    phases = [log[:, phase // 2 :: 2, phase % 2 :: 2] for phase in range(4)]
    for phase, change in enumerate(phases):
        out[:, phase] = torch.asinh(torch.sinh(clean[:, phase]) + GAIN * change)
    mean = sum(phases) / 4
    out[:, 6] = (clean[:, 6] + 1) * torch.exp(mean / 2) - 1
    return out


def twins_told(before: Tensor, after: Tensor, wanted: Tensor) -> Tensor:
    """Return the loss of what is said of pictures without and with the shadows laid on them, one by one and added up.

    Parameters
    ----------
    before, after
        Answers (n, sizes, phases, h, w).
    wanted
        Target planes (n, planes, h, w).
    """
    kinds, weight = wanted[:, TWIN], wanted[:, WEIGHT : WEIGHT + 1]
    alone = twin_loss(before, after, kinds, weight)
    lowest = weight.unflatten(0, (-1, TOGETHER)).amin(dim=1)
    return alone + OF_SUMS * twin_loss(_sums(before), _sums(after), kinds[::TOGETHER], lowest)


def _sums(answers: Tensor) -> Tensor:
    return answers.clamp(LEAST, MOST).unflatten(0, (-1, TOGETHER)).sum(dim=1)


def twin_loss(before: Tensor, after: Tensor, kinds: Tensor, weight: Tensor) -> Tensor:
    """Return the loss of what is said of pairs.

    For each size, with o the answer and c = `BEND`, E₁[softplus(c − o)] + eᶜ·E₀[softplus(o − c)] is least where o is ln
    of the likelihood ratio: its derivative by o vanishes where p₁ = p₀·eᵒ. E₁ is the mean over pictures with a shadow
    of that size in the place, here taken as the difference that the shadows make plus the mean without any. E₀ leaves
    out the places next to a shadow's, in which it is often as likely to lie.

    Parameters
    ----------
    before, after
        Answers (n, sizes, phases, h, w).
    kinds
        One more than the index of the size that was laid on each place, 0 for none, (n, phases, h, w).
    weight
        0 for cells that don't count, (n, 1, h, w).
    """
    flat = torch.nn.functional.pixel_shuffle((kinds > 0).float(), ACROSS)
    near = torch.nn.functional.max_pool2d(flat, 3, stride=1, padding=1)
    counts = (weight > 0).expand_as(kinds).float()
    none = (1 - torch.nn.functional.pixel_unshuffle(near, ACROSS)) * counts
    softplus = torch.nn.functional.softplus
    total = torch.zeros((), device=before.device)
    for size, emphasis in enumerate(EMPHASIS):
        here = (kinds == size + 1) * counts
        bent = softplus(BEND - before[:, size])
        change = (softplus(BEND - after[:, size]) - bent) * here
        found = change.sum() / here.sum().clamp(min=1) + (bent * counts).sum() / counts.sum().clamp(min=1)
        false = math.exp(BEND) * (softplus(after[:, size] - BEND) * none).sum() / none.sum().clamp(min=1)
        total = total + emphasis * (found + false - AT_REST)
    return total
