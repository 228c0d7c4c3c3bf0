"""The network: fully convolutional, two halvings below its cells, each answer from about 150 pixels around it."""

from __future__ import annotations

from collections.abc import Sequence

import torch
from torch import Tensor, nn

from .features import CHANNELS

WIDTHS = (16, 32, 64, 96)
"""Channels at half the picture's resolution, at the cells, and after each halving."""

WIDE = (24, 48, 96, 128)
"""The same where the picture is half as large and there is time for more."""


class Twice(nn.Module):
    """Two convolutions about which the input is carried round, then rectified."""

    def __init__(self, channels: int) -> None:
        super().__init__()
        self.first = _convolution(channels, channels)
        self.second = _convolution(channels, channels)

    def forward(self, x: Tensor) -> Tensor:
        """Return relu(x + second(relu(first(x))))."""
        return torch.relu(x + self.second(torch.relu(self.first(x))))


class Network(nn.Module):
    """From features (n, CHANNELS, 2h, 2w) to answers (n, outputs, h, w), h and w multiples of 4.

    Parameters
    ----------
    first
        What each output answers before anything is learned, (outputs,).
    """

    def __init__(self, first: Sequence[float], widths: tuple[int, int, int, int] = WIDTHS) -> None:
        super().__init__()
        stem, cells, coarse, coarsest = widths
        self.stem = _convolution(CHANNELS, stem)
        self.to_cells = _convolution(stem, cells, stride=2)
        self.at_cells = Twice(cells)
        self.to_coarse = _convolution(cells, coarse, stride=2)
        self.at_coarse = Twice(coarse)
        self.to_coarsest = _convolution(coarse, coarsest, stride=2)
        self.at_coarsest = Twice(coarsest)
        self.up_coarse = nn.Conv2d(coarsest, coarse, 1)
        self.join_coarse = _convolution(coarse, coarse)
        self.up_cells = nn.Conv2d(coarse, cells, 1)
        self.join_cells = _convolution(cells, cells)
        self.answer = nn.Conv2d(cells, len(first), 1)
        nn.init.zeros_(self.answer.weight)
        with torch.no_grad():
            self.answer.bias.copy_(torch.tensor(first))

    def forward(self, x: Tensor) -> Tensor:
        """Return the answers of each cell."""
        cells = self.at_cells(torch.relu(self.to_cells(torch.relu(self.stem(x)))))
        coarse = self.at_coarse(torch.relu(self.to_coarse(cells)))
        coarsest = self.at_coarsest(torch.relu(self.to_coarsest(coarse)))
        coarse = torch.relu(self.join_coarse(coarse + _twice_as_large(self.up_coarse(coarsest))))
        cells = torch.relu(self.join_cells(cells + _twice_as_large(self.up_cells(coarse))))
        answer: Tensor = self.answer(cells)
        return answer


def _convolution(inputs: int, outputs: int, stride: int = 1) -> nn.Conv2d:
    layer = nn.Conv2d(inputs, outputs, 3, stride=stride, padding=1)
    nn.init.kaiming_normal_(layer.weight, nonlinearity="relu")
    nn.init.zeros_(layer.bias)
    return layer


def _twice_as_large(x: Tensor) -> Tensor:
    return nn.functional.interpolate(x, scale_factor=2, mode="nearest")
