"""What a learned detector may be judged on: nothing that it has learned from."""

from __future__ import annotations

from collections.abc import Mapping

from ..detectors.contract import Detector
from ..generators.scene import NAMESPACES, Scene
from .errors import YardError


def learned_from(detector: Detector) -> tuple[str, ...]:
    """Return the namespaces of seeds that a detector's card says it was taught on; none without a card.

    Raises
    ------
    YardError
        If the card doesn't say, or names a namespace that there isn't.
    """
    card = getattr(detector, "card", None)
    if card is None:
        return ()
    namespaces = card.get("namespaces") if isinstance(card, Mapping) else None
    if not isinstance(namespaces, list) or not namespaces or not set(namespaces) <= set(NAMESPACES):
        raise YardError(
            f"the card of detector {detector.name!r} must list in 'namespaces' which seeds it was taught on, "
            f"of {', '.join(NAMESPACES)}; it says {namespaces!r}"
        )
    return tuple(namespaces)


def pictures_learned_from(detector: Detector) -> frozenset[str]:
    """Return the file names of photographs, or of parts of them, that a detector's card says it was taught on."""
    card = getattr(detector, "card", None) or {}
    return frozenset(name for key in ("photographs", "parts_of_photographs") for name in card.get(key, ()))


def refuse_what_was_taught(detector: Detector, scene: Scene) -> None:
    """Return if the detector has learned neither from seeds of the scene's kind nor from its photograph.

    Raises
    ------
    YardError
        If it has: a score on what was learned says nothing.
    """
    namespace = NAMESPACES[scene.seed[0]] if 0 <= scene.seed[0] < len(NAMESPACES) else None
    if namespace in learned_from(detector):
        raise YardError(f"detector {detector.name!r} was taught on {namespace} seeds and can't be judged on them")
    picture = dict(scene.options).get("file") if scene.background == "photograph" else None
    if picture in pictures_learned_from(detector):
        raise YardError(
            f"detector {detector.name!r} was taught on the photograph {picture} and can't be judged on it; "
            "take it out of the folder"
        )
