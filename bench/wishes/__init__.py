"""What may be asked of a threshold: each wish chooses one on calibration frames and measures it on others."""

from .base import Pick, Trial
from .cost import CostWish
from .plain import AnyWish, as_plain, from_plain
from .precision import PrecisionWish
from .quiet import Wish
from .recall import RecallWish

__all__ = ["AnyWish", "CostWish", "Pick", "PrecisionWish", "RecallWish", "Trial", "Wish", "as_plain", "from_plain"]
