"""The rules as data: the models of ``rules.toml``, and how a herd's own rows are laid over the packaged ones."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources
from pathlib import Path
from string import Formatter
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from clawvision.errors import UsageError
from clawvision.findings.profiles import Limb
from clawvision.findings.quantities import DERIVED
from clawvision.findings.values import PROFILE_VALUES, ValueStatus
from clawvision.measure.side import SIDE_UNITS
from clawvision.measure.sole import FOOT_UNITS, SOLE_UNITS
from clawvision.regular import read_regular
from clawvision.types import Level

Strength = Literal["strong", "moderate", "weak"]
Lies = Literal[
    "every claw of every foot",
    "even on every foot",
    "one claw alone",
    "on any foot",
    "one foot of a pair",
    "one foot, its pair not seen",
    "one hind foot, the other not photographed",
    "same claw of both hind feet",
    "same claw of both fore feet",
]

MEASURES: tuple[str, ...] = tuple(
    dict.fromkeys((*SIDE_UNITS, *SOLE_UNITS, *FOOT_UNITS, "helical_twist", "roll", "sole_tilt"))
)
MAX_RULES_BYTES = 262_144

FORBIDDEN = re.compile(
    r"\bcut (?:it |them |this |the (?:toe|claw|horn) )?(?:back |down )?to\b|\bcut (?:off|away)\b"
    r"|\b(?:trim|shorten|rasp|grind|take) (?:it |them |the (?:toe|claw|horn) )?(?:back |down )?(?:to|by|off)\b"
    r"|\b(?:cut|trim|shorten|rasp|grind|pare|bring|level)(?: [a-z-]+){0,6} (?:to|by|at) (?:about )?(?:[\d{]|the line)"
    r"|\btake(?: [a-z-]+){0,3} [\d{]|[\d}](?: mm)? (?:can|may|should|must|off)\b"
    r"|\bremove\b|\bsafe to\b|diagnos"
    r"|\b(?:is|are|looks?) (?:now |quite |all )?(?:sound|fine|healthy|well|not lame)\b|\bthis claw is lame\b"
    r"|\bhas (?:an?|the) (?:ulcer|abscess)",
    re.IGNORECASE,
)
"""What no text of the program may say, filled in or not: an order to take horn to a mark or an amount, a verdict, or
that a foot is well."""


class _Row(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class Fact(_Row):
    """A figure that texts quote."""

    value: float
    unit: str
    source: str = Field(min_length=3)
    status: ValueStatus


class Condition(_Row):
    """A quantity against a value of the profile."""

    quantity: str
    is_: Literal["above", "below", "at_most"] = Field(alias="is")
    limit: str


class ContextCondition(_Row):
    """What is known beside the measures: one of the words in ``among`` has to hold."""

    context: Literal["limb", "stage", "parity", "gait", "sign"]
    among: list[str] = Field(min_length=1)


class Rule(_Row):
    """A row of the table of rules; its fields are described at the head of ``rules.toml``."""

    id: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{0,59}$")
    code: str = Field(pattern=r"^[a-z][a-z0-9_]{0,59}$")
    title: str = Field(min_length=1)
    family: str
    about: str
    claw: Literal["each", "outer", "inner", "foot"]
    when: list[Condition | ContextCondition] = Field(min_length=1)
    text: str = Field(min_length=1)
    exact: str = Field(min_length=1)
    also_explained_by: str
    look_for: str = ""
    where: str = ""
    basis: str = Field(min_length=3)
    seats: bool = False
    covers: list[str] = Field(default_factory=list)
    strength: Strength
    icar_term: str | None = None
    urgency: Level
    urgency_if_lame: Level | None = None
    unknown_foot: Literal["both", "any"] = "both"
    trim: list[Literal["no_line", "short"]] = Field(default_factory=list)
    rule_out: bool = False
    optional: bool = False
    veterinarian: bool = False


class Seat(_Row):
    """Where to look for what hurts, by limb and claw."""

    limb: Limb
    claw: Literal["outer", "inner"]
    where: str
    look_for: str
    basis: str


class SeatShape(_Row):
    """Where to look besides, if the same claw shows another finding as well."""

    code: str
    where: str
    basis: str


class ObservedRow(_Row):
    """What a locomotion score, a sign that a person saw, or signs on so many feet mean for urgency."""

    kind: Literal["locomotion", "sign", "sore feet"]
    values: list[str]
    urgency: Level
    text: str
    basis: str
    veterinarian: bool = False


class Question(_Row):
    """Something that would help to know, and what it could settle.

    ``unknown`` is what has to be unknown for the question to arise; ``families`` are the rules it could decide.
    """

    code: str
    unknown: Literal[
        "gait",
        "signs",
        "foot",
        "day",
        "last trim",
        "sole photo",
        "side photo of the outer claw",
        "side photo of the inner claw",
        "rear photo",
        "a photo under review",
        "a refused photo",
    ]
    families: list[str] = Field(default_factory=list)
    text: str


class TextRow(_Row):
    """A sentence on trimming, for the cases named in ``when``."""

    when: list[str]
    text: str


class Step(_Row):
    """A step of the work; ``claw`` is the claw that it is about, and ``needs`` what has to be known for it."""

    when: Literal["first", "usual", "unsure", "keep", "careful"]
    limb: list[Limb] = ["fore", "hind"]
    needs: list[str] = Field(default_factory=list)
    claw: Literal["outer", "inner", "foot"] = "foot"
    kind: Literal["step", "slow_down", "feel_for"] = "step"
    text: str


class PatternCondition(_Row):
    """How the outcomes of one family of rules lie over the feet of an animal."""

    family: str
    code: str | None = None
    lies: Lies
    claw: Literal["outer", "inner"] | None = None


class AnimalRule(_Row):
    """A row about an animal's feet together."""

    id: str
    code: str
    title: str
    about: str
    when: list[PatternCondition] = Field(min_length=1)
    pattern: str | None = None
    parity: list[str] = Field(default_factory=list)
    limb: list[Limb] = Field(default_factory=list)
    text: str
    exact: str
    also_explained_by: str
    look_for: str
    where: str
    basis: str
    strength: Strength
    urgency: Level = "no sign in the photo"
    veterinarian: bool = False


class RuleBook(_Row):
    """All of ``rules.toml``."""

    fact: dict[str, Fact]
    seat: list[Seat]
    seat_shape: list[SeatShape]
    rule: list[Rule]
    animal: list[AnimalRule]
    observed: list[ObservedRow]
    question: list[Question]
    trim: list[TextRow]
    caution: list[TextRow]
    step: list[Step]
    say: dict[str, str]


class _HerdFile(_Row):
    rule: list[Rule] = Field(default_factory=list)
    off: list[str] = Field(default_factory=list)


@cache
def packaged_rules() -> RuleBook:
    """Return the packaged rules."""
    text = (resources.files("clawvision.findings") / "rules.toml").read_text(encoding="utf-8")
    return RuleBook.model_validate(tomllib.loads(text))


def load_rules(path: Path | None = None) -> RuleBook:
    """Return the packaged rules, with a herd's own rows laid over them.

    Parameters
    ----------
    path
        A TOML file with ``[[rule]]`` rows and a list ``off``. A row with the id of a packaged one takes its place,
        others are added in front, so that they are the ones reported of their family. ``off`` names rows that are not
        used.

    Returns
    -------
    RuleBook
        What `assess_feet` applies.

    Raises
    ------
    UsageError
        If the file cannot be read or a row cannot be used. A row that keeps a claw from being cut may get other
        texts, but can neither be taken away, nor ask for more, nor keep the claw less.
    """
    book = packaged_rules()
    if path is None:
        return book
    herd = _parse(path)
    own = {rule.id: rule for rule in herd.rule}
    if len(own) < len(herd.rule):
        ids = [rule.id for rule in herd.rule]
        twice = next(each for each in ids if ids.count(each) > 1)
        raise UsageError(f"Rules {path}, rule '{twice}', key 'id': it is there twice.", "Give every row its own id.")
    packaged = {rule.id: rule for rule in book.rule}
    for rule in herd.rule:
        _check(path, rule, packaged.get(rule.id), book)
    for name in herd.off:
        if name not in packaged:
            raise UsageError(
                f"Rules {path}, key 'off': there is no rule '{name}'.", "docs/findings.md lists all rules."
            )
        if name in own:
            raise UsageError(f"Rules {path}, key 'off': '{name}' is also given a row.", "Keep the one or the other.")
        if packaged[name].trim or packaged[name].rule_out or packaged[name].veterinarian:
            raise UsageError(
                f"Rules {path}, key 'off': '{name}' keeps claws from being cut and stays.",
                "Change its limits in a profile, or its texts in a row of that id.",
            )
    added = [rule for rule in herd.rule if rule.id not in packaged]
    kept = [own.get(rule.id, rule) for rule in book.rule if rule.id not in herd.off]
    return book.model_copy(update={"rule": [*added, *kept]})


def _parse(path: Path) -> _HerdFile:
    try:
        content = read_regular(path, MAX_RULES_BYTES)
        if len(content) > MAX_RULES_BYTES:
            raise UsageError(f"Rules {path} are larger than {MAX_RULES_BYTES // 1024} KiB.", "Shorten the file.")
        data = tomllib.loads(content.decode("utf-8"))
    except OSError as error:
        raise UsageError(f"Rules {path} cannot be read: {error.strerror}.", "Check that you may read it.") from error
    except UnicodeDecodeError as error:
        raise UsageError(f"Rules {path} are not UTF-8 text.", "Save the file as UTF-8.") from error
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise UsageError(f"Rules {path} are not valid TOML: {error}.", "Mend that line.") from error
    try:
        return _HerdFile.model_validate(data)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        raise UsageError(
            f"Rules {path}, {_place(first['loc'], data)}: {first['msg']}.", "docs/findings.md says what a row holds."
        ) from error


def _place(loc: Sequence[int | str], data: Mapping[str, Any]) -> str:
    """Return which row, by its id or else by its number, and which key of it."""
    if loc[0] != "rule" or len(loc) < 2 or not isinstance(loc[1], int):
        return f"key '{'.'.join(str(part) for part in loc)}'"
    row = data["rule"][loc[1]]
    name = row.get("id") if isinstance(row, dict) else None
    key = ".".join(str(part) for part in loc[2:])
    return f"rule '{name}', key '{key}'" if isinstance(name, str) else f"rule no. {loc[1] + 1}, key '{key}'"


_KEPT = ("code", "family", "claw", "when", "unknown_foot")
"""What a row that keeps a claw from being cut has to leave as it is: with them it would hold for other claws."""


def _check(path: Path, rule: Rule, packaged: Rule | None, book: RuleBook) -> None:
    problem = rule_problem(rule, book.fact)
    if problem is None and packaged is not None:
        problem = _protects_less(rule, packaged)
    if problem is not None:
        raise UsageError(f"Rules {path}, rule '{rule.id}', {problem}.", "docs/findings.md says what a row holds.")


def _protects_less(rule: Rule, packaged: Rule) -> str | None:
    less = "it would keep a claw from being cut less than the packaged row does"
    if set(packaged.trim) - set(rule.trim):
        return f"key 'trim': {less}"
    for key in ("rule_out", "veterinarian"):
        if getattr(packaged, key) and not getattr(rule, key):
            return f"key '{key}': {less}"
    if packaged.trim or packaged.rule_out or packaged.veterinarian:
        changed = [key for key in _KEPT if getattr(rule, key) != getattr(packaged, key)]
        if changed:
            stays = "what it asks, of which claw, its family and its code stay"
            return f"key '{changed[0]}': the packaged row keeps claws from being cut, so {stays}"
    return None


def rule_problem(rule: Rule, facts: Mapping[str, Fact]) -> str | None:
    """Return what is wrong with a row, or None: unknown names, numbers without a source, forbidden words."""
    conditions = [each for each in rule.when if isinstance(each, Condition)]
    if not conditions:
        return "key 'when': none of its conditions is about a measure"
    for condition in conditions:
        if condition.quantity not in DERIVED and condition.quantity not in MEASURES:
            return f"key 'when': there is no quantity '{condition.quantity}'"
        if condition.limit not in PROFILE_VALUES:
            return f"key 'when': a profile has no value '{condition.limit}'"
    for key in ("title", "about", "text", "exact", "also_explained_by", "look_for", "where"):
        problem = texts_problem((getattr(rule, key),), facts)
        if problem is None and rule.claw == "foot" and "{claw" in getattr(rule, key):
            problem = "a row about the foot has no {claw}"
        if problem is not None:
            return f"key '{key}': {problem}"
    found = FORBIDDEN.search(rule.basis)
    return f"key 'basis': no text may say '{found.group()}'" if found else None


def texts_problem(texts: Sequence[str], facts: Mapping[str, Fact]) -> str | None:
    """Return what is wrong with the templates of a row, or None."""
    for text in texts:
        if found := FORBIDDEN.search(text):
            return f"no text may say '{found.group()}'"
        try:
            parts = list(Formatter().parse(text))
        except ValueError as error:
            return f"the text cannot be filled in: {error}"
        for literal, name, spec, _ in parts:
            if re.search(r"\d", literal):
                return f"a text holds a number of its own: '{literal.strip()}'"
            if name is None or name == "claw":
                continue
            if not _known(name, spec or "", facts):
                return f"there is nothing called '{name}{':' + spec if spec else ''}' to fill in"
    return None


def _known(name: str, spec: str, facts: Mapping[str, Fact]) -> bool:
    if name == "profile":
        return spec in PROFILE_VALUES
    if name == "fact":
        return spec in facts
    return name in DERIVED or name in MEASURES
