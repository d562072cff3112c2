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


#: By kind of fitting or bar: the place, the sizes that make it too thin, what is then said of it.
THIN = {
    "eye": [
        ("eye", {"boss_diameter_mm": 4.4, "bore_diameter_mm": 2.5},
         "0.95 mm thick between bore and edge of the eye ({end} end)"),
        ("eye", {"boss_diameter_mm": 5.6, "bore_diameter_mm": 3.61},
         "0.995 mm thick between bore and edge of the eye ({end} end)"),
    ],
    "crosspin": [
        ("pin", {"pin_diameter_mm": 0.99}, "0.99 mm thick at the crosspin ({end} end)"),
        ("lip", {"lip_thickness_mm": 0.75}, "0.75 mm thick at the crosspin's lip ({end} end)"),
    ],
    "ball": [("neck", {"neck_diameter_mm": 0.9}, "0.9 mm thick at the ball's neck ({end} end)")],
    "flat": [("plate", {"thickness_mm": 0.99}, "0.99 mm thick in the bar")],
    "round": [("plate", {"diameter_mm": 2.0, "flat_depth_mm": 1.01}, "0.99 mm thick in the bar")],
}
CASES = [
    (name, part, place, sizes, said.format(end=part))
    for name, template in TEMPLATES.items() for part in ("body", "lower", "upper")
    for place, sizes, said in THIN[
        template.body.shape if part == "body" else getattr(template, part).kind
    ]
]


@pytest.mark.parametrize(("name", "part", "place", "sizes", "said"), CASES)
@pytest.mark.parametrize("process", PROCESSES)
def test_each_place_of_each_family_is_named(process, name, part, place, sizes, said):
    template = TEMPLATES[name]
    thin = replace(template, **{part: replace(getattr(template, part), **sizes)})
    with pytest.raises(GeometryError) as caught:
        check_walls(thin, PROCESSES[process])
    assert (
        f"a rod of {name} is {said}, but process {process} needs at least 1 mm there"
        in str(caught.value)
    )
    assert caught.value.field == place


def test_no_place_of_a_family_is_without_a_case():
    assert {(name, place) for name, _, place, *_ in CASES} == {
        (name, wall.place) for name, template in TEMPLATES.items() for wall in walls_of(template)
    }


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
