"""A recorded temperature: what it changes in a length, or why nothing covers it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from labkit.core.gauging.instruments import Instrument
from labkit.core.numbers import Finite
from labkit.errors import RefusedError
from labkit.qa.uncertainty import Component
from labkit.units import plain

#: Reference temperature of every length (ISO 1), °C.
REFERENCE_C = 20.0
#: How far from it the usual gauge of a process may be used, whose file tells no room, ±, °C.
USUAL_ROOM_C = 3.0
#: Names of what a correction leaves uncertain, in the order of a budget.
THERMOMETER, EXPANSION = "thermometer", "expansion of rod and scale"


@dataclass(frozen=True)
class Correction(Finite):
    """The correction of lengths measured at one temperature to 20 °C.

    Args:
        celsius: Temperature of rod and scale as recorded.
        expansion_per_c: The material's, 1/°C, and its standard uncertainty.
    """

    instrument: Instrument
    celsius: float
    expansion_per_c: float
    expansion_u_per_c: float

    @property
    def _off_c(self) -> float:
        return self.celsius - REFERENCE_C

    def change_mm(self, rod_mm: float) -> float:
        """Give what is added to a length.

        Formula: ℓ₂₀ − ℓ = ℓ (1 + α_scale θ) / (1 + α_rod θ) − ℓ, θ = t − 20 °C.

        Args:
            rod_mm: How much rod ℓ lies between the measuring faces, as read.

        Source: JCGM 100:2008 (GUM), H.1.1, equation (H.1).
        """
        scale = 1 + self.instrument.expansion_per_c * self._off_c
        return rod_mm * (scale / (1 + self.expansion_per_c * self._off_c) - 1)

    def components(self, rod_mm: float) -> tuple[Component, Component]:
        """Give what the correction leaves uncertain, in place of the room's own term.

        Formula: |α_rod − α_scale| ℓ u(t) and |θ| ℓ √(u²(α_rod) + u²(α_scale)).

        Source: JCGM 100:2008 (GUM), H.1.2, of first order.
        """
        tool, t = self.instrument, self.instrument.thermometer_c
        assert t is not None
        unlike = abs(self.expansion_per_c - tool.expansion_per_c)
        doubt = math.hypot(self.expansion_u_per_c, tool.expansion_u_per_c)
        return (
            Component(
                THERMOMETER, unlike * rod_mm * t, math.inf, "B",
                f"{plain(self.celsius)} °C, standard uncertainty {plain(t)} °C; corrected to 20 °C "
                f"by {plain(round(self.change_mm(rod_mm), 4))} mm",
            ),
            Component(
                EXPANSION, abs(self._off_c) * rod_mm * doubt, math.inf, "B",
                f"{plain(round(self.expansion_per_c * 1e6, 3))} µm a metre and °C, standard "
                f"uncertainty {plain(round(doubt * 1e6, 3))}",
            ),
        )


def correction_of(
    instrument: Instrument | None, celsius: float | None, expansion_per_c: float,
    expansion_u_per_c: float | None,
) -> Correction | None:
    """Give the correction of a recorded temperature.

    Args:
        instrument: What was measured with, None for the usual gauge of the process.
        expansion_u_per_c: None where the process states no expansion of its own: what a common
            plastic does corrects nothing.

    Returns:
        The correction; None where no temperature was recorded, or the budget's room holds it.

    Raises:
        RefusedError: Neither covers it.
    """
    if celsius is None:
        return None
    if instrument and instrument.thermometer_c is not None and expansion_u_per_c is not None:
        return Correction(instrument, celsius, expansion_per_c, expansion_u_per_c)
    if why := not_in_the_room(instrument, celsius):
        raise RefusedError(
            f"{why}; a reading is corrected to 20 °C if the instrument's file gives "
            "[temperature] thermometer, and the process's file expansion_per_c and "
            "expansion_uncertainty_per_c; else let rod and gauge come to 20 °C and measure again",
            field="temperature_c", value=celsius,
        )
    return None


def not_in_the_room(instrument: Instrument | None, celsius: float) -> str:
    """Tell that a temperature lies outside of the room that an uncorrected budget holds.

    Returns:
        A sentence without its end; empty where it lies within.
    """
    room = instrument.temperature_c if instrument else USUAL_ROOM_C
    if abs(celsius - REFERENCE_C) <= room:
        return ""
    whose = instrument.name if instrument else "the usual gauge of the process"
    return (
        f"{plain(celsius)} °C is not covered: the uncertainty of {whose} is for 20 ± {plain(room)} "
        "°C"
    )
