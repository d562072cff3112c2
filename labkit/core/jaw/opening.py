"""How the advancement changes as the mouth opens on a pair of rods."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from labkit.core.grading.bite import bite_scale
from labkit.core.grading.prescription import JawModelName, Prescription
from labkit.core.jaw.build import hinged_jaw
from labkit.core.jaw.rotation import Floats
from labkit.errors import RefusedError


def advancement_at_opening(
    prescription: Prescription, lengths_mm: Floats, drops_mm: Floats
) -> tuple[Floats, Mapping[tuple[int, int], str]]:
    """Give the advancement that pairs of rods hold as the incisal point drops.

    Args:
        prescription: A prescription with the hinged jaw model that grading does not refuse.
        lengths_mm: Pairs of rod lengths, left and right, shape (N, 2).
        drops_mm: Drops of the incisal point from the registered bite, + downwards, shape (K,).

    Returns:
        Advancement from zero, mm, shape (N, K), NaN where the jaw cannot stand so; and the reason
        for each of those, by pair and drop.

    Validity: openings that the rods and the condylar guides allow.

    Raises:
        RefusedError: Another jaw model, which knows nothing of opening.
    """
    require_opening(prescription.jaw.model)
    scale = bite_scale(prescription.bite)
    jaw = hinged_jaw(prescription, scale.sideways_per_mm)
    pairs, drops = np.atleast_2d(lengths_mm), np.asarray(drops_mm, dtype=float)
    every_pair, every_drop = np.repeat(pairs, len(drops), axis=0), np.tile(drops, len(pairs))
    solved = jaw.opening(every_pair, every_drop)
    forward = solved.poses[:, 0].copy()
    forward[list(solved.problems)] = np.nan
    advancement: Floats = forward + float(scale.registered_advancement_mm)
    reasons = {divmod(member, len(drops)): why for member, why in solved.problems.items()}
    return advancement.reshape(len(pairs), len(drops)), reasons


def require_opening(model: JawModelName) -> None:
    """Refuse a jaw model that knows nothing of opening.

    Raises:
        RefusedError: It is another than the hinged one.
    """
    if model is not JawModelName.HINGED:
        raise RefusedError(
            f"the {model} jaw model cannot show how the mouth opens; use "
            'model = "hinged", with anchors on both sides',
            field="jaw.model", value=model, allowed="hinged",
        )
