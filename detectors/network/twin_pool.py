"""Drawing pairs of pictures that differ by faint shadows alone: the shadows are laid on while it is learned."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from .evidence_target import ACROSS, PLACE, REACH, STAMP_PX, TOGETHER, TWINNED, VARIANTS
from .training import Pool
from .twins import laid_on

PER_PLACE = 1 / 250
"""Shadows laid on, a place: as many as do not cover each other much."""


@dataclass(slots=True)
class TwinPool(Pool):
    """Examples of twins: features of both pictures (2, channels, 2h, 2w), target planes, and shadows to lay on."""

    def draw(self, count: int, rng: np.random.Generator) -> tuple[Tensor, Tensor]:
        """Return pictures of `count` crops, `SHOWN` of each, and their targets; frames are drawn by their area.

        `count` is a multiple of `TOGETHER`; so many after each other are of one frame.
        """
        picks = np.repeat(self.picks(count // TOGETHER, rng), TOGETHER).tolist()
        shown, wanted = self.crops(picks, rng)
        laid, kinds = self._laid(shown[:, 1], picks, rng)
        return torch.cat([shown, laid[:, None]], dim=1).flatten(0, 1), torch.cat([wanted, kinds], dim=1)

    def _laid(self, clean: Tensor, picks: list[int], rng: np.random.Generator) -> tuple[Tensor, Tensor]:
        """Return pictures (n, channels, 2h, 2w) with shadows laid on them, and which lie where (n, phases, h, w)."""
        places = self.crop * ACROSS
        groups, each = len(picks) // TOGETHER, round(places * places * PER_PLACE)
        # Whole places at random; a shadow's centre lies somewhere in its place as the stamp has it.
        drawn = np.stack([rng.choice(places * places, each, replace=False) for _ in range(groups)])
        which = torch.from_numpy(drawn).to(self.device).repeat_interleave(TOGETHER, dim=0)
        kind = self._any(rng, TWINNED, (groups, each)).repeat_interleave(TOGETHER, dim=0)
        variant = self._any(rng, VARIANTS, (len(picks), each))
        of = torch.arange(len(picks), device=self.device)[:, None].expand_as(which)
        patches = torch.stack([self.besides[pick][0] for pick in picks])[of, kind, variant].float()
        row, column = which // places, which % places
        log = _scattered(patches, row, column, places)
        kinds = torch.zeros(len(picks), 1, places, places, device=self.device, dtype=clean.dtype)
        kinds[of, 0, row, column] = (kind + 1).to(clean.dtype)
        laid = laid_on(clean.float(), log).to(clean.dtype)
        return laid, torch.nn.functional.pixel_unshuffle(kinds, ACROSS)

    def _any(self, rng: np.random.Generator, below: int, shape: tuple[int, int]) -> Tensor:
        return torch.from_numpy(rng.integers(0, below, size=shape)).to(self.device)


def _scattered(patches: Tensor, row: Tensor, column: Tensor, places: int) -> Tensor:
    """Return the sum of patches (n, m, …) about their places (n, m), (n, side, side) in the network's pixels."""
    margin = REACH * PLACE
    side = places * PLACE + 2 * margin
    steps = torch.arange(STAMP_PX, device=patches.device)
    # The patch's middle place starts `margin` after its corner, so the margin about the canvas takes that up.
    y = row[..., None, None] * PLACE + steps[:, None]
    x = column[..., None, None] * PLACE + steps
    of = torch.arange(len(patches), device=patches.device)[:, None, None, None]
    flat = (of * side + y) * side + x
    canvas = torch.zeros(len(patches) * side * side, device=patches.device)
    canvas.index_add_(0, flat.reshape(-1), patches.reshape(-1))
    return canvas.reshape(len(patches), side, side)[:, margin:-margin, margin:-margin]
