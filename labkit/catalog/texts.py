"""Reads the fixed words of the documents, in English or as a lab has translated them."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import Any

from labkit.catalog.places import templates_dir
from labkit.catalog.problems import at, together
from labkit.catalog.toml_source import TomlSource, parse_toml, read_text
from labkit.core.form.words import Location, nearest, shown
from labkit.errors import InputError, LabkitError

Words = str | tuple[str, ...]

#: Parts of a sentence that the program fills in, such as {case}.
_PLACE = re.compile(r"\{[a-z_]+\}")
_LANGUAGE = re.compile(r"[a-z]{2,3}")
#: Tables whose words may be left out one by one: what the program has to say grows with it.
IN_PART = ("standing", "findings")
#: A sentence for paper; more is a slip.
MOST_CHARACTERS = 600


@dataclass(frozen=True)
class Texts:
    """The fixed words of the documents.

    Args:
        language: ISO 639 code, such as "en".
        tables: Words by document and name: a sentence, or several that make a list.
        missing: Words of tables that may be left out in part, such as "findings.take_back", that
            the lab's file does not have: they are English.
    """

    language: str
    tables: Mapping[str, Mapping[str, Words]]
    missing: tuple[str, ...] = ()

    def translated(self, sentences: list[str]) -> list[str]:
        """Put the cautions of a set into the language of the texts, where it has them.

        Returns:
            The same number of sentences; one that is not in the texts stays as it is. All of them
            are taken by their order: those of an older set may have had other words.
        """
        ours, theirs = _lines(english_texts()), _lines(self)
        if len(sentences) == len(theirs):
            return list(theirs)
        known = dict(zip(ours, theirs, strict=True)) if len(ours) == len(theirs) else {}
        return [known.get(sentence, sentence) for sentence in sentences]

    def told(self, code: str, message: str, values: Mapping[str, str]) -> str:
        """Tell a finding in the language of the texts.

        Args:
            code: The finding's, which names its sentence in the table `findings`.
            message: It in English: told where the texts have no other words, or places that are
                not filled, as of a finding that an earlier version of the program stored.
            values: What fills the places; one that is itself a word of the table is translated.
        """
        ours, theirs = english_texts().tables["findings"], self.tables["findings"]
        pattern = str(theirs.get(code, ""))
        places = {place[1:-1] for place in _PLACE.findall(pattern)}
        if pattern == ours.get(code, "") or not places <= values.keys():
            return message
        names = {word: name for name, word in ours.items()}
        return filled(pattern, **{
            name: str(theirs[names[value]]) if value in names else value
            for name, value in values.items()
        })

    def language_of(self, table: str) -> str:
        """Give the language of one table's words: English where the lab has not translated it."""
        ours = english_texts()
        return ours.language if self.tables[table] == ours.tables[table] else self.language

    def of(self, document: str) -> Texts:
        """Give the texts of one document, so that no page is said to be in another language.

        Args:
            document: Name of the document, such as "case-sheet".

        Returns:
            These texts where they translate the document's own table; else the English ones, frame
            and all. The technical papers have no table: they are English.
        """
        table, ours = document.replace("-", "_"), english_texts()
        same = self.tables.get(table) == ours.tables.get(table)
        return ours if same else self


def filled(sentence: str, **values: object) -> str:
    """Fill the places of a sentence.

    >>> filled("step {step}, {side}", step=3, side="left")
    'step 3, left'
    """
    return _PLACE.sub(lambda place: str(values.get(place[0][1:-1], place[0])), sentence)


def texts_json(texts: Texts) -> dict[str, Any]:
    """Give texts as JSON content, to be kept in a set."""
    tables = {
        table: {name: words if isinstance(words, str) else list(words) for name, words in t.items()}
        for table, t in texts.tables.items()
    }
    return {"language": texts.language, "tables": tables}


def texts_of(content: Mapping[str, Any]) -> Texts:
    """Take texts out of a set; words that are newer than the set come from the English texts.

    Args:
        content: What `texts_json` gave.

    Raises:
        ValueError, KeyError, TypeError, AttributeError: It is not what `texts_json` gave.
    """
    language, tables = content["language"], content["tables"]
    if not isinstance(language, str) or not _LANGUAGE.fullmatch(language):
        raise ValueError(f"{language!r:.40} is no language code")
    for name, table in english_texts().tables.items():
        for key, words in tables.get(name, {}).items():
            if key in table and not _same_form(words, table[key]):
                raise ValueError(f"the words {name}.{key} are not of the form of the English")
    return Texts(language, _filled(tables))


@lru_cache(maxsize=1)
def english_texts() -> Texts:
    """Read the texts that came with the program."""
    path = templates_dir() / "documents" / "texts-en.toml"
    data = parse_toml(read_text(path), path.name).data
    return Texts(data["language"], _frozen(data))


def read_texts(source: TomlSource) -> Texts:
    """Turn a lab's own texts file into texts.

    A table may be left out: its words stay English, and where it is a document's own table
    ([case_sheet], [bag_labels], [wearers_page]) the whole document does. A table that is there must
    be whole, but for those `IN_PART`: what these lack stays English and is named in the texts.
    Refusals, names of templates and the technical papers are English in any case.

    Args:
        source: The file as read; its form is that of `texts-en.toml`.

    Raises:
        InputErrors: Every mistake in the file, with its line.
    """
    problems = list(_problems(source))
    if problems:
        raise together(problems)
    tables = _frozen(source.data)
    ours = english_texts().tables
    missing = tuple(
        f"{table}.{name}" for table in IN_PART if table in tables
        for name in ours[table] if name not in tables[table]
    )
    return Texts(str(source.data["language"]), _filled(tables), missing)


def _same_form(theirs: object, ours: Words) -> bool:
    if isinstance(ours, str):
        return isinstance(theirs, str)
    return isinstance(theirs, list | tuple) and all(isinstance(one, str) for one in theirs)


def _lines(texts: Texts) -> tuple[str, ...]:
    lines = texts.tables["cautions"]["lines"]
    return (lines,) if isinstance(lines, str) else lines


def _frozen(data: Mapping[str, Any]) -> Mapping[str, Mapping[str, Words]]:
    return MappingProxyType({
        table: MappingProxyType({
            name: words if isinstance(words, str) else tuple(words) for name, words in t.items()
        })
        for table, t in data.items()
        if isinstance(t, Mapping)
    })


def _filled(tables: Mapping[str, Any]) -> Mapping[str, Mapping[str, Words]]:
    ours = english_texts().tables
    return _frozen({name: {**table, **tables.get(name, {})} for name, table in ours.items()})


def _problems(source: TomlSource) -> Iterator[LabkitError]:
    language = source.data.get("language")
    if not isinstance(language, str) or not _LANGUAGE.fullmatch(language):
        yield at(
            source, ("language",),
            f"= {shown(language)} is not usable; allowed is a language code such as \"de\"",
        )
    ours = english_texts().tables
    for name, table in source.data.items():
        if name in ours and isinstance(table, dict):
            yield from _table_problems(source, name, table, ours[name])
        elif name not in ("schema", "language"):
            yield _unknown(source, (name,), list(ours))
    if source.data.get("schema") != 1:
        yield at(source, ("schema",), f"= {shown(source.data.get('schema'))}; allowed is 1")


def _table_problems(
    source: TomlSource, table: str, theirs: dict[str, Any], ours: Mapping[str, Words]
) -> Iterator[LabkitError]:
    for name, words in theirs.items():
        location = (table, name)
        if name not in ours:
            yield _unknown(source, location, list(ours))
        elif problem := _word_problem(words, ours[name]):
            yield at(source, location, f"= {shown(words)} {problem}")
    for name in (name for name in ours if name not in theirs and table not in IN_PART):
        yield at(
            source, (table, name),
            f"is missing; give a translation of {shown(_sample(ours[name]))}, or leave out the "
            f"whole table [{table}]",
        )


def _sample(words: Words) -> str:
    return words if isinstance(words, str) else words[0]


def _unknown(source: TomlSource, location: Location, known: list[str]) -> InputError:
    near = nearest(str(location[-1]), known)
    hint = f"did you mean `{near}`?" if near else f"known here are {', '.join(known)}"
    return at(source, location, f"is not a known key; {hint}")


def _word_problem(theirs: object, ours: Words) -> str:
    if isinstance(ours, str):
        if not isinstance(theirs, str):
            return "is not usable; allowed is text in quotes"
        return _sentence_problem(theirs, ours)
    if not isinstance(theirs, list) or len(theirs) != len(ours):
        return f"is not usable; allowed is a list of {len(ours)} texts, in the order of the English"
    for number, (sentence, english) in enumerate(zip(theirs, ours, strict=True), 1):
        if not isinstance(sentence, str):
            return f"is not usable; allowed is a list of {len(ours)} texts"
        if problem := _sentence_problem(sentence, english):
            return f"(line {number} of the list) {problem}"
    return ""


def _sentence_problem(theirs: str, ours: str) -> str:
    if not theirs.strip() or len(theirs) > MOST_CHARACTERS:
        return f"is not usable; allowed is text of 1 to {MOST_CHARACTERS} characters"
    wanted, given = sorted(_PLACE.findall(ours)), sorted(_PLACE.findall(theirs))
    if wanted != given:
        places = ", ".join(_PLACE.findall(ours)) or "none"
        return (
            f"does not have the places that the program fills in ({places}); write each of them "
            "once, unchanged"
        )
    return ""
