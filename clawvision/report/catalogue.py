"""The words of the report in the languages that people read it in.

The report's own words stand in ``languages/LANGUAGE.toml`` under keys. What an assessment says stands in its record in
English, filled in; ``languages/LANGUAGE.phrases.toml`` holds the other language for each English template. A phrase
holds for exactly that English wording: where a text was changed, or is a herd's own, it stays English and is marked
so, rather than being told in words that no longer fit.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib import resources
from string import Formatter
from types import MappingProxyType
from typing import Literal

Language = Literal["en", "de"]
LANGUAGES: tuple[Language, ...] = ("en", "de")

_MOST_NUMBER = 60
_MOST_WORDS = 600
"""Letters in a gap. The bounds keep a text that was made to be slow to compare from being so."""
_MOST_TEXT = 3000
_MOST_SENTENCES = 12
_VERBATIM = frozenset({"photos", "title", "detail", "sidecar", "suffix", "actual", "photo"})
"""Placeholders for what is no word of any language: names of files, of profiles."""
_TOLD_AGAIN = frozenset({"phrase", "what", "sentence", "<what>"})
"""Placeholders for other phrases."""
_CLAWS_MARK = "<claws>"
_MARK = re.compile(r"(<claws>|<what>)")


@dataclass(frozen=True, slots=True)
class Said:
    """A text and the language that it is in."""

    text: str
    language: Language


@dataclass(frozen=True, slots=True)
class _Template:
    whole: re.Pattern[str]
    first: re.Pattern[str] | None
    """With more sentences behind it; None where the template ends in a gap, which then has no end."""
    fields: tuple[str, ...]
    target: str


@dataclass(frozen=True, slots=True, eq=False)
class Catalogue:
    """All words of one language.

    ``words`` is by key; ``phrases`` by the English text, templates apart from those without a gap.
    """

    language: Language
    words: Mapping[str, str]
    phrases: Mapping[str, str]
    templates: tuple[_Template, ...]

    def word(self, key: str, /, **values: object) -> str:
        """Return the report's own words for ``key``, filled in.

        Raises
        ------
        KeyError
            If there is no such key, or a value is missing.
        """
        text = self.words[key]
        return text.format(**values) if values else text

    def has(self, key: str) -> bool:
        """Return whether there are words for ``key``."""
        return key in self.words

    def phrase(self, text: str) -> Said:
        """Return an English text of the program in this language, or as it is where it is not known.

        A text may be several known sentences one after the other.
        """
        if self.language == "en" or not text or len(text) > _MOST_TEXT:
            return Said(text, "en" if text else self.language)
        found = _told(self, text, 0)
        return Said(text, "en") if found is None else Said(found, self.language)

    def number(self, text: str) -> str:
        """Return a written number as this language writes it."""
        mark = self.words["number.decimal"]
        return text if mark == "." else re.sub(r"(?<=\d)\.(?=\d)", mark, text)


@cache
def load_catalogue(language: Language) -> Catalogue:
    """Return the words of a language, read once."""
    folder = resources.files("clawvision.report") / "languages"
    words = _flat(tomllib.loads((folder / f"{language}.toml").read_text("utf-8")))
    phrases: dict[str, str] = {}
    templates: list[_Template] = []
    if language != "en":
        table = tomllib.loads((folder / f"{language}.phrases.toml").read_text("utf-8"))["phrases"]
        for source, target in table.items():
            if fields_of(source):
                templates.append(_template(source, target))
            else:
                phrases[source] = target
    # The longest first: a short one that is mostly gap would take what belongs to a longer.
    templates.sort(key=lambda each: -len(each.whole.pattern))
    return Catalogue(language, MappingProxyType(words), MappingProxyType(phrases), tuple(templates))


def _flat(table: Mapping[str, object], prefix: str = "") -> dict[str, str]:
    found: dict[str, str] = {}
    for key, value in table.items():
        if isinstance(value, Mapping):
            found |= _flat(value, f"{prefix}{key}.")
        else:
            found[prefix + key] = str(value)
    return found


def fields_of(template: str) -> tuple[str, ...]:
    """Return the gaps of a template, in their order: what is in braces, and the marks for claws and for what."""
    found: list[str] = []
    for literal, name, spec, _ in Formatter().parse(template):
        found += _MARK.findall(literal)
        if name is not None:
            found.append(f"{name}:{spec}" if spec else name)
    return tuple(found)


def _template(source: str, target: str) -> _Template:
    parts: list[str] = []
    words = f"(.{{1,{_MOST_WORDS}}}?)"
    for literal, name, _, _ in Formatter().parse(source):
        parts += [words if _MARK.fullmatch(each) else re.escape(each) for each in _MARK.split(literal)]
        if name is not None:
            parts.append(words if name in _VERBATIM | _TOLD_AGAIN else f"(.{{1,{_MOST_NUMBER}}}?)")
    pattern = "".join(parts)
    closed = source[-1] not in "}>"
    return _Template(
        re.compile(pattern, re.DOTALL),
        re.compile(pattern + " (.+)", re.DOTALL) if closed else None,
        fields_of(source),
        target,
    )


@lru_cache(maxsize=20_000)
def _told(catalogue: Catalogue, text: str, depth: int) -> str | None:
    """Return a text told in the catalogue's language: one phrase, or one after the other."""
    if text in catalogue.phrases:
        return catalogue.phrases[text]
    if depth > _MOST_SENTENCES:
        return None
    for end in (match.start() for match in re.finditer(r"(?<=[.!?:]) ", text)):
        first = catalogue.phrases.get(text[:end])
        if first is not None:
            rest = _told(catalogue, text[end + 1 :], depth + 1)
            if rest is not None:
                return f"{first} {rest}"
    for template in catalogue.templates:
        match = template.whole.fullmatch(text)
        if match is not None:
            filled = _filled(catalogue, template, list(match.groups()), depth)
            if filled is not None:
                return filled
        match = template.first.fullmatch(text) if template.first else None
        if match is not None:
            *gaps, more = match.groups()
            filled = _filled(catalogue, template, gaps, depth)
            rest = None if filled is None else _told(catalogue, more, depth + 1)
            if filled is not None and rest is not None:
                return f"{filled} {rest}"
    return None


def _filled(catalogue: Catalogue, template: _Template, gaps: list[str], depth: int) -> str | None:
    """Return the template's text with what stood in the gaps; None where it is no word that is known."""
    values: dict[str, str] = {}
    for field, gap in zip(template.fields, gaps, strict=True):
        filled = _gap(catalogue, field, gap, depth)
        if filled is None or values.setdefault(field, filled) != filled:
            return None
    parts: list[str] = []
    for literal, name, spec, _ in Formatter().parse(template.target):
        parts.append(_MARK.sub(lambda mark: values.get(mark[0], mark[0]), literal))
        if name is not None:
            parts.append(values[f"{name}:{spec}" if spec else name])
    return "".join(parts)


def _gap(catalogue: Catalogue, name: str, gap: str, depth: int) -> str | None:
    if name in _VERBATIM:
        return gap
    if name == "measure":
        return catalogue.words.get("measure." + gap.replace(" ", "_"))
    if name in _TOLD_AGAIN:
        parts = [_told(catalogue, each, depth + 1) for each in gap.split("; ")]
        return _joined(parts, "; ")
    if name == _CLAWS_MARK:
        claws = [catalogue.words.get(f"claw.{each.removesuffix(' claw')}") for each in gap.split(", ")]
        return _joined(claws, ", ")
    return _amount_words(catalogue, gap)


def _joined(parts: Sequence[str | None], between: str) -> str | None:
    known = [each for each in parts if each is not None]
    return between.join(known) if len(known) == len(parts) else None


def _amount_words(catalogue: Catalogue, gap: str) -> str | None:
    """Return a number with its unit, or one word of the program, in the catalogue's language; else None."""
    known = catalogue.words.get(f"filled.{gap}")
    if known is not None:
        return known
    match = re.fullmatch(r"([−-]?[\d.]+(?: ± [\d.]+)?)(°| mm²| mm a month| mm| %| months?| days?| deg)?", gap)
    if match is None:
        return None
    unit = (match[2] or "").strip()
    space = " " if match[2] and match[2].startswith(" ") else ""
    return catalogue.number(match[1]) + space + catalogue.words.get(f"filled.{unit}", unit)
