"""Named states of a filter, as data files, and the populations they stand for."""

from __future__ import annotations

from .reader import dust_from, read_state, state_names, state_summary
from .state import KINDS, Share, State, Wipe

__all__ = ["KINDS", "Share", "State", "Wipe", "dust_from", "read_state", "state_names", "state_summary"]
