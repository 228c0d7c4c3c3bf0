"""How much memory a call adds at its peak, by the kernel's own count of this process.

Linux keeps the highest resident size (VmHWM in proc_pid_status(5)) and forgets it when 5 is written to
proc_pid_clear_refs(5). Pages count when they are touched, whoever asked for them: Python, a library, its threads;
child processes do not. What the allocator still holds from work before is given back first, or it would be used
again and not be seen.
"""

from __future__ import annotations

import ctypes
import math

_FORGET_PEAK = "5"

ONE_IN = 4
"""Frames of which one is weighed. To give memory back costs the call that follows the touching of new pages, up to a
quarter of the fastest detectors' time; the median over all frames is to stay what it is without."""


def weighed(scene: str) -> bool:
    """Return whether memory is looked at on the frame of this scene, by its digest in hex digits."""
    return int(scene, 16) % ONE_IN == 0


def resident_now() -> float:
    """Forget the peak so far and return the bytes resident now; nan where the system keeps no such count."""
    try:
        with open("/proc/self/clear_refs", "w", encoding="ascii") as file:
            trim = getattr(ctypes.CDLL(None), "malloc_trim", None)  # glibc's
            if trim is not None:
                trim(0)
            file.write(_FORGET_PEAK)
        return _status("VmRSS")
    except OSError:
        return math.nan


def peak_since(resident: float) -> float:
    """Return by how many bytes the highest resident size since `resident_now` lies above what that returned."""
    return math.nan if math.isnan(resident) else max(0.0, _status("VmHWM") - resident)


def _status(key: str) -> float:
    with open("/proc/self/status", encoding="ascii", errors="replace") as file:
        lines = dict(line.split(":", 1) for line in file if ":" in line)
    return 1024.0 * float(lines[key].split()[0])
