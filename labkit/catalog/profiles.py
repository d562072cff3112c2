"""Reads a lab's profile: its name, address, logo, paper, words and templates of documents."""

from __future__ import annotations

import base64
import binascii
import re
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from enum import StrEnum
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any
from xml.etree import ElementTree

from labkit.catalog.places import templates_dir
from labkit.catalog.problems import at, read_whole, together
from labkit.catalog.texts import Texts, english_texts, read_texts, texts_json, texts_of
from labkit.catalog.toml_source import TomlSource, parse_toml, read_text
from labkit.core.form.keys import Key, name_key
from labkit.core.form.read import read_record
from labkit.core.form.words import Location, dotted, nearest
from labkit.core.jsonable import jsonable
from labkit.core.people import Person
from labkit.errors import InputError, LabkitError

#: A letterhead logo; more is a photograph.
MOST_LOGO_BYTES = 1_000_000
MOST_LOGO_PIXELS = 16_000_000
MOST_ADDRESS_LINES = 4
MOST_LINE_CHARACTERS = 80
#: More points than these nobody looks at on every rod.
MOST_LOOKS = 12
#: Something typst would fetch from the network: papers are set from what is on the machine.
_PACKAGE = re.compile(r'"(?:@|\\u\{0*40\})')
_PNG = b"\x89PNG\r\n\x1a\n"


class Paper(StrEnum):
    """Paper of the documents."""

    A4 = "a4"
    US_LETTER = "us-letter"


class Projection(StrEnum):
    """How the views of a drawing are arranged (ISO 5456-2)."""

    FIRST_ANGLE = "first-angle"
    THIRD_ANGLE = "third-angle"


@dataclass(frozen=True)
class Logo:
    """A picture for the head of the pages.

    Args:
        kind: "png" or "svg".
    """

    kind: str
    content: bytes


@dataclass(frozen=True)
class ProfileTold:
    """What a profile file and the profile that is made of it have in common.

    Args:
        logo, texts, documents: In the file the names of files beside it, else what these hold.
    """

    name: Annotated[str, Key(
        "name of the lab, printed on every page",
        f"text of 1 to {MOST_LINE_CHARACTERS} characters", most=MOST_LINE_CHARACTERS,
    )] = ""
    address: Annotated[tuple[str, ...], Key(
        "lines of the address", f"a list of at most {MOST_ADDRESS_LINES} texts",
        most=MOST_ADDRESS_LINES,
    )] = ()
    paper: Annotated[Paper, Key("paper of the documents")] = Paper.A4
    projection: Annotated[
        Projection, Key("arrangement of the views of drawings")
    ] = Projection.FIRST_ANGLE
    logo: Any = None
    texts: Any = None
    documents: Any = None
    process: Annotated[str, name_key("name of the process where none is named")] = ""
    one_person: Annotated[bool, Key(
        "whether the lab is one person, so that whoever measured may release, and certificates "
        "say so"
    )] = False
    look: Annotated[tuple[str, ...], Key(
        "what the lab looks at on every rod beside whole, smooth, straight and clean",
        f"a list of at most {MOST_LOOKS} words", most=MOST_LOOKS,
    )] = ()
    lot_asked: Annotated[bool, Key(
        "whether a set is released only if the lot of the material is known of every rod"
    )] = True
    use_before_asked: Annotated[bool, Key(
        "whether a set is released only if it is known of every lot until when it may be used"
    )] = False
    temperature_asked: Annotated[bool, Key(
        "whether a set is released only if the temperature of measuring is known of every rod"
    )] = False
    people: Annotated[tuple[Person, ...], Key(
        "who measures, accepts and releases; without it any code may", "a list of tables"
    )] = ()


@dataclass(frozen=True)
class ProfileFile(ProfileTold):
    """A profile file: its own words, and the names of files beside it."""

    logo: Annotated[str, Key("PNG or SVG file beside the profile", "a file name")] = ""
    texts: Annotated[
        str, Key("the lab's translated copy of the texts file", "a file name")
    ] = ""
    documents: Annotated[
        str, Key("folder with the lab's own copies of document templates", "a folder name")
    ] = ""


@dataclass(frozen=True)
class Profile(ProfileTold):
    """How a lab wants its documents.

    Args:
        texts: Fixed words of the documents.
        documents: The lab's own templates by file name, which replace the program's.
    """

    logo: Logo | None = None
    texts: Texts = field(default_factory=english_texts)
    documents: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))

    def to_record(self) -> dict[str, Any]:
        """Give the profile as it is kept in a set."""
        return profile_json(self)

    @classmethod
    def of_record(cls, kept: Any) -> Profile:
        """Take the profile out of a set; the default one where none was kept."""
        return profile_of({"profile": kept})


#: What a file tells by itself.
_OWN = tuple(
    one.name for one in fields(ProfileTold) if one.name not in ("logo", "texts", "documents")
)
#: What a set keeps of it for every profile, and what came later, which it keeps where it is told;
#: a set has a process of its own.
_ALWAYS = ("name", "address", "paper", "projection")
_LATER = tuple(name for name in _OWN if name not in (*_ALWAYS, "process"))


def default_profile() -> Profile:
    """Give the profile of a lab that has none: no name, A4, first-angle, English."""
    return Profile()


def read_profile(source: TomlSource) -> Profile:
    """Turn a profile file, and the files it names beside it, into checked values.

    Args:
        source: The file as read; its name is its path.

    Raises:
        InputErrors: Every mistake in the file and in those it names.
    """
    keys = read_whole(ProfileFile, source)
    beside = _Beside(source)
    told = {name: getattr(keys, name) for name in _OWN}
    told["look"] = tuple(word.strip().casefold() for word in keys.look)
    profile = Profile(
        **told, logo=beside.logo(keys.logo), texts=beside.texts(keys.texts),
        documents=beside.documents(keys.documents),
    )
    if beside.problems:
        raise together(beside.problems)
    return profile


def profile_json(profile: Profile) -> dict[str, Any]:
    """Give a profile as JSON content, to be kept in a set.

    Returns:
        Everything that the documents need of it; the logo in base64.
    """
    logo, told = profile.logo, {name: getattr(profile, name) for name in _LATER}
    kept: dict[str, Any] = jsonable({
        "name": profile.name,
        "address": profile.address,
        "logo": logo
        and {"kind": logo.kind, "base64": base64.b64encode(logo.content).decode("ascii")},
        "paper": profile.paper,
        "projection": profile.projection,
        "texts": texts_json(profile.texts),
        "documents": dict(profile.documents),
        **{name: value for name, value in told.items() if value != getattr(ProfileTold, name)},
    })
    return kept


def profile_of(spec: Mapping[str, Any]) -> Profile:
    """Take the profile out of a set.

    Args:
        spec: Content of spacer-set.json.

    Returns:
        The profile kept under "profile", or the default one.
    """
    kept = spec.get("profile")
    if not kept:
        return default_profile()
    try:
        logo = kept["logo"]
        profile = Profile(
            **_told_in(kept),
            logo=Logo(logo["kind"], base64.b64decode(logo["base64"])) if logo else None,
            texts=texts_of(kept["texts"]),
            documents=MappingProxyType(
                {name: _text(text) for name, text in kept["documents"].items()}
            ),
        )
    except (KeyError, TypeError, ValueError, AttributeError, binascii.Error) as error:
        reason = f"{error.args[0]} is missing" if isinstance(error, KeyError) else error
        raise _unusable(f"cannot be read ({reason})") from error
    if profile.logo and profile.logo.kind not in ("png", "svg"):
        raise _unusable(f'has a logo of kind "{profile.logo.kind}"; allowed is png or svg')
    for name, text in profile.documents.items():
        if problem := _template_problem(name, text):
            raise _unusable(problem)
    return profile


def _told_in(kept: Mapping[str, Any]) -> dict[str, Any]:
    later = {name: kept[name] for name in _LATER if name in kept}
    told, mistakes = read_record(ProfileTold, {name: kept[name] for name in _ALWAYS} | later)
    if told is None:
        raise ValueError(f"{dotted(mistakes[0].location)} {mistakes[0].message}")
    return {name: getattr(told, name) for name in _OWN}


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r:.40} is no text")
    return value


def _unusable(problem: str) -> InputError:
    return InputError(
        f"the profile kept in the set {problem}; use the spacer-set.json that `labkit make` wrote, "
        "unchanged",
        field="profile",
    )


def _template_problem(name: str, text: str) -> str:
    """Say what makes a lab's own template unusable; empty if nothing does."""
    known = [path.name for path in sorted((templates_dir() / "documents").glob("*.typ"))]
    if name not in known:
        hint = nearest(name, known)
        return f"holds {name}, which is not one of the program's templates; " + (
            f"did you mean {hint}?" if hint else f"known are {', '.join(known)}"
        )
    if _PACKAGE.search(text):
        return (
            f"holds {name}, which imports a package (@…) from the network; papers are set without "
            "one: write what it gives into the template"
        )
    return ""


class _Beside:
    """The files that a profile names, read from its own folder."""

    def __init__(self, source: TomlSource) -> None:
        self._source = source
        self._folder = Path(source.name).parent
        self.problems: list[LabkitError] = []

    def logo(self, name: str) -> Logo | None:
        if not name:
            return None
        path = self._folder / name
        if path.exists() and not path.is_file():  # a pipe would be waited for without end
            self._say(("logo",), f'= "{name}" is not a file; name a PNG or SVG beside the profile')
            return None
        try:
            with path.open("rb") as stream:
                content = stream.read(MOST_LOGO_BYTES + 1)
        except OSError as error:
            self._say(("logo",), f'= "{name}" cannot be read ({error.strerror}); name a PNG or SVG '
                                 "file beside the profile")
            return None
        if len(content) > MOST_LOGO_BYTES:
            self._say(("logo",), f'= "{name}" is larger than {MOST_LOGO_BYTES // 1_000_000} MB; '
                                 "give a smaller picture")
        kind = _picture_kind(content)
        wrong = _png_problem(content) if kind == "png" else ""
        if wrong:
            self._say(("logo",), f'= "{name}" {wrong}')
        if not kind:
            self._say(("logo",), f'= "{name}" is not a picture that can be printed; allowed is a '
                                 "PNG or SVG file")
        return Logo(kind, content)

    def texts(self, name: str) -> Texts:
        if not name:
            return english_texts()
        path = self._folder / name
        try:
            return read_texts(parse_toml(read_text(path), str(path)))
        except InputError as error:
            self.problems.append(error)
            return english_texts()

    def documents(self, name: str) -> Mapping[str, str]:
        if not name:
            return MappingProxyType({})
        found = sorted((self._folder / name).glob("*.typ"))
        if not found:
            self._say(("documents",), f'= "{name}" holds no template (.typ); name a folder beside '
                                      "the profile with copies of the program's templates")
        texts = {path.name: self._template(name, path) for path in found}
        return MappingProxyType(texts)

    def _template(self, folder: str, path: Path) -> str:
        try:
            text = path.read_text("utf-8")
        except (OSError, UnicodeDecodeError) as error:
            reason = "is not UTF-8" if isinstance(error, ValueError) else error.strerror
            self._say(("documents",), f'= "{folder}": {path.name} cannot be read ({reason}); give '
                                      "a typst template that can be read")
            return ""
        if problem := _template_problem(path.name, text):
            self._say(("documents",), problem)
        return text

    def _say(self, location: Location, message: str) -> None:
        self.problems.append(at(self._source, location, message))


def _png_problem(content: bytes) -> str:
    """Say what keeps a PNG from being printed: its pieces are not whole, or it is too large."""
    at, kind = len(_PNG), b""
    while kind != b"IEND":
        size, kind = int.from_bytes(content[at : at + 4]), content[at + 4 : at + 8]
        held, at = content[at + 4 : at + 8 + size], at + 12 + size
        if at > len(content) or zlib.crc32(held) != int.from_bytes(content[at - 4 : at]):
            return "is incomplete or damaged; export it again"
        width, height = (int.from_bytes(held[start : start + 4]) for start in (4, 8))
        if kind == b"IHDR" and not 0 < width * height <= MOST_LOGO_PIXELS:
            return (
                f"has {width} × {height} pixels; allowed are {MOST_LOGO_PIXELS // 1_000_000} "
                "million of them"
            )
    return ""


def _picture_kind(content: bytes) -> str:
    if content.startswith(_PNG):
        return "png"
    try:
        root = ElementTree.fromstring(content)
    except (ElementTree.ParseError, ValueError):
        return ""
    return "svg" if root.tag == "{http://www.w3.org/2000/svg}svg" else ""
