"""All papers of a set, made from spacer-set.json and nothing else."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from labkit.catalog.profiles import Profile, profile_of
from labkit.documents import bag_labels, build_sheet, case_sheet, inspection, rod_drawing
from labkit.documents.fitting import rods_to_wear
from labkit.documents.frame import frame_facts
from labkit.documents.render import compile_pdf
from labkit.documents.set_spec import Spec, prescription_of
from labkit.documents.standing import for_the_wearer, must_say, profile_on_paper

FOLDER = "documents"


@dataclass(frozen=True)
class Paper:
    """One document of a set.

    Args:
        name: File name without ending.
        facts: Works out its facts from the set: JSON content for its layout, numbers as texts.
        companions: Makes further files of it, such as a CSV, by ending.
        pictures: Makes pictures that only this paper shows, by name.
    """

    name: str
    facts: Callable[[Spec], dict[str, Any]]
    companions: Callable[[Spec], Mapping[str, bytes]] | None = None
    pictures: Callable[[Spec], Mapping[str, bytes]] | None = None

    @property
    def template(self) -> str:
        """File name of its layout."""
        return f"{self.name}.typ"



def wearers_facts(spec: Spec) -> dict[str, Any]:
    """Work out what stands on the wearer's page besides its words: the rods there to be worn."""
    return {
        **frame_facts(spec, "wearers-page"),
        "case_mark": prescription_of(spec).case_mark,
        "standing": for_the_wearer(spec),
        "rods": rods_to_wear(spec),
    }


#: Every document of a set, in the order in which a case uses them.
PAPERS = (
    Paper("case-sheet", case_sheet.facts),
    # Large print; all its words come from the texts file.
    Paper("wearers-page", wearers_facts),
    Paper("build-sheet", build_sheet.facts, pictures=build_sheet.pictures),
    Paper("inspection-form", inspection.facts, inspection.companions, inspection.pictures),
    Paper("bag-labels", bag_labels.facts, pictures=bag_labels.pictures),
)


#: Templates that the papers of a set are made by: their own, and what they share.
LAYOUTS = frozenset({
    "common.typ", "standing.typ", rod_drawing.TEMPLATE, *(paper.template for paper in PAPERS)
})


def layouts_not_used(spec: Spec, profile: Profile | None = None) -> tuple[str, ...]:
    """Say which of a lab's own templates a set's papers are made without, and why.

    Args:
        profile: Another profile than the set's own.

    Returns:
        One sentence; nothing where all are used.
    """
    own = sorted(LAYOUTS & set((profile or profile_of(spec)).documents))
    if not own or not must_say(spec):
        return ()
    return (
        f"The lab's own layouts ({', '.join(own)}) were not used for these papers: they may leave "
        "out what must be at the top of them; the program's own were used.",
    )


def write_documents(
    spec: Spec, out_dir: Path, pictures: Mapping[str, bytes], progress: Callable[[str], None]
) -> None:
    """Write all documents of a set.

    Args:
        out_dir: Folder of the set; the documents go into its folder `documents`.
        pictures: PNG and SVG files by name, such as "set.svg"; a paper shows those it knows.
        progress: Told the name of each file that is written.

    Raises:
        InputError: A lab's own template cannot be set.
    """
    folder = out_dir / FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    profile = profile_on_paper(spec)
    for paper in PAPERS:
        own = {**pictures, **(paper.pictures(spec) if paper.pictures else {})}
        files = {"pdf": compile_pdf(paper.template, paper.facts(spec), profile, own)}
        if paper.companions:
            files.update(paper.companions(spec))
        for ending, content in files.items():
            name = f"{paper.name}.{ending}"
            (folder / name).write_bytes(content)
            progress(name)
