"""The three jaw models: from position to rod length and back."""

from labkit.core.jaw.build import anchor_distance, hinged_jaw, jaw_model, registered_length
from labkit.core.jaw.hinged import HingedJaw
from labkit.core.jaw.model import Designed, JawModel, ReadBack, require_solved
from labkit.core.jaw.opening import advancement_at_opening
from labkit.core.jaw.sliding import SlidingJaw
from labkit.core.jaw.straight import StraightJaw

__all__ = [
    "Designed", "HingedJaw", "JawModel", "ReadBack", "SlidingJaw", "StraightJaw",
    "advancement_at_opening", "anchor_distance", "hinged_jaw", "jaw_model", "registered_length",
    "require_solved",
]
