"""One module a command: `HELP`, `add(parser)` for what it takes, `run(options)` for what it does.

The modules import no more than argparse; `run` imports what the command needs, so each pays for itself only. An
optional `AFTER` is what a user who interrupts it is told.
"""

from __future__ import annotations

from types import ModuleType

from . import (
    calibrate,
    check,
    check_photos,
    compare,
    errors,
    export,
    find,
    guard,
    limit,
    list_all,
    rank,
    render,
    repairs,
    retouch,
    rolls,
    survey,
    surveys,
    threshold,
)

COMMANDS: dict[str, ModuleType] = {
    "rank": rank,
    "threshold": threshold,
    "limit": limit,
    "errors": errors,
    "compare": compare,
    "export": export,
    "guard": guard,
    "find": find,
    "retouch": retouch,
    "calibrate": calibrate,
    "check": check,
    "check-photos": check_photos,
    "survey": survey,
    "rolls": rolls,
    "surveys": surveys,
    "repairs": repairs,
    "render": render,
    "list": list_all,
}
"""In the order that help lists them."""
