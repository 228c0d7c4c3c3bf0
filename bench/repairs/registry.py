"""Where repairs come from: installed entry points, and files named on the command line."""

from __future__ import annotations

from typing import cast

from ...detectors.registry import Entry, Kind, PluginError, load_plugin
from ...detectors.registry import entries as plugin_entries
from ...detectors.registry import names as plugin_names
from .contract import Repair

GROUP = "moteyard.repairs"
"""Entry-point group under which a distribution registers its repairs."""


class RepairError(PluginError):
    """A repair cannot be found or loaded; the message says why in one sentence."""


REPAIRS = Kind("repair", GROUP, ("repair", "name", "version"), RepairError)


def names() -> list[str]:
    """Return the registered names, sorted; imports none of them."""
    return plugin_names(REPAIRS)


def load(spec: str) -> Repair:
    """Return the repair of a registered name or of ``path/to/file.py:Class``.

    Raises
    ------
    RepairError
        If there is none, or it cannot be loaded, or it has no `repair`, `name` and `version`.
    """
    return cast(Repair, load_plugin(spec, REPAIRS))


def entries() -> list[Entry]:
    """Return every registered repair, the broken ones with their problem."""
    return plugin_entries(REPAIRS)
