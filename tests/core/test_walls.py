"""A section too thin for its process or template is refused with its place and size."""

from __future__ import annotations

from dataclasses import replace

import pytest

from labkit.catalog.processes import processes
from labkit.catalog.rods import rod_templates
from labkit.core.rod.rods import Walls
from labkit.core.rod.walls import check_walls, walls_of
from labkit.errors import GeometryError

TEMPLATES, PROCESSES = rod_templates(), processes()


@pytest.mark.parametrize("process", PROCESSES.values(), ids=PROCESSES)
@pytest.mark.parametrize("template", TEMPLATES.values(), ids=TEMPLATES)
def test_the_built_in_sizes_can_be_built_with_the_built_in_processes(template, process):
    check_walls(template, process)


@pytest.mark.parametrize(
    ("name", "end", "sizes", "said"),
    [
        ("eye-eye-flat", "upper", {"boss_diameter_mm": 4.4},
         "0.95 mm thick between bore and edge of the eye (upper end), but process nominal needs "
         "at least 1 mm there"),
        ("ball-ball-round", "lower", {"neck_diameter_mm": 0.9},
         "0.9 mm thick at the ball's neck (lower end), but"),
        ("crosspin-eye-flat", "lower", {"pin_diameter_mm": 0.8},
         "0.8 mm thick at the crosspin (lower end), but"),
        ("crosspin-eye-flat", "lower", {"lip_thickness_mm": 0.75},
         "0.75 mm thick at the crosspin's lip (lower end), but"),
        ("eye-eye-flat", "body", {"thickness_mm": 0.99}, "0.99 mm thick in the bar, but"),
    ],
)
def test_each_place_is_named(name, end, sizes, said):
    template = TEMPLATES[name]
    thin = replace(template, **{end: replace(getattr(template, end), **sizes)})
    with pytest.raises(GeometryError) as caught:
        check_walls(thin, PROCESSES["nominal"])
    assert f"a rod of {name} is {said}" in str(caught.value)


@pytest.mark.parametrize("place", ["eye", "neck", "pin", "lip", "plate"])
def test_a_process_may_ask_more_or_less_at_each_place(place):
    more = Walls(**{f"{place}_mm": 9.0})
    asked = [t for t in TEMPLATES.values() if any(wall.place == place for wall in walls_of(t))]
    assert asked
    for template in asked:
        with pytest.raises(GeometryError, match="needs at least 9 mm there"):
            check_walls(template, replace(PROCESSES["nominal"], walls=more))
    legible = replace(PROCESSES["nominal"].legibility, least_wall_mm=9.0)
    less = Walls(**{f"{place}_mm": 0.2 for place in ("eye", "neck", "pin", "lip", "plate")})
    check_walls(asked[0], replace(PROCESSES["nominal"], legibility=legible, walls=less))


def test_a_template_may_ask_for_more_than_the_process():
    template = replace(TEMPLATES["eye-eye-flat"], least_wall_mm=2.6)
    with pytest.raises(GeometryError, match=r"2.5 mm thick .* but the template needs at least 2.6"):
        check_walls(template, PROCESSES["nominal"])
