"""Both languages say the same: every key, every gap, every sentence of the program."""

from __future__ import annotations

import re
import time
import tomllib
from importlib import resources

import pytest

from clawvision.findings.book import FORBIDDEN, packaged_rules
from clawvision.findings.values import PROFILE_VALUES, STATUSES
from clawvision.output.wording import FOOT_WORDS, MEASURE_WORDS, STAGE_WORDS
from clawvision.reasons import REASONS
from clawvision.report.catalogue import LANGUAGES, fields_of, load_catalogue

ENGLISH, GERMAN = load_catalogue("en"), load_catalogue("de")
PHRASES: dict[str, str] = tomllib.loads(
    (resources.files("clawvision.report") / "languages" / "de.phrases.toml").read_text("utf-8")
)["phrases"]


def program_texts() -> list[str]:
    """Return every text of the rules, the reasons and the values that can come into a report."""
    book = packaged_rules()
    texts: list[str] = []
    for rule in book.rule:
        texts += [rule.title, rule.about, rule.text, rule.exact, rule.also_explained_by, rule.where, rule.look_for]
        texts += [rule.icar_term or ""]
    for row in book.animal:
        texts += [row.title, row.text, row.exact, row.also_explained_by, row.where, row.look_for, row.pattern or ""]
    for seat in book.seat:
        texts += [seat.where, seat.look_for]
    texts += [each.where for each in book.seat_shape]
    for rows in (book.observed, book.question, book.trim, book.caution, book.step):
        texts += [each.text for each in rows]
    texts += book.say.values()
    for kind in REASONS.values():
        texts += [kind.message, kind.advice]
    texts += [value.meaning for value in PROFILE_VALUES.values()]
    return [text for text in dict.fromkeys(texts) if text]


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_key_is_in_every_language_with_the_same_gaps(language: str) -> None:
    words = load_catalogue(language).words  # type: ignore[arg-type]
    assert words.keys() == ENGLISH.words.keys()
    for key, text in words.items():
        assert sorted(fields_of(text)) == sorted(fields_of(ENGLISH.words[key])), key
        assert text.strip(), key


def test_the_words_of_the_program_are_all_there() -> None:
    for group, names in {
        "measure": MEASURE_WORDS,
        "foot": FOOT_WORDS,
        "stage": STAGE_WORDS,
        "value_status": STATUSES,
    }.items():
        for name in names:
            assert ENGLISH.has(f"{group}.{name}")


def test_german_differs_from_english() -> None:
    same = {key for key, text in GERMAN.words.items() if text == ENGLISH.words[key]}
    assert all(key.startswith(("level_sign.", "status_sign.", "filled.", "against.none")) for key in same), same
    assert not [text for text, told in PHRASES.items() if text == told]


def test_every_text_of_the_program_is_there_in_german() -> None:
    missing = [text for text in program_texts() if text not in PHRASES]
    assert not missing, "add these to clawvision/report/languages/de.phrases.toml"


def test_the_gaps_of_a_phrase_agree() -> None:
    for english, german in PHRASES.items():
        assert set(fields_of(german)) == set(fields_of(english)), english


@pytest.mark.parametrize("text", program_texts())
def test_a_filled_text_is_found_and_keeps_its_numbers(text: str) -> None:
    values = {"claw": "outer", "reference": "scale card", "view": "side", "measure": "toe length", "unit": "mm"}
    values |= dict.fromkeys(("photos", "title", "detail", "sidecar", "suffix", "actual"), "x7/y.jpg")
    numbers: list[str] = []
    parts: list[str] = []
    for piece in re.split(r"(\{[^}]*\}|<claws>|<what>)", text):
        name = piece.strip("{}").split(":")[0]
        if piece == "<claws>":
            parts.append("outer claw, inner claw")
        elif piece == "<what>" or piece == "{what}":
            parts.append("the front wall; the toe angle" if piece == "{what}" else "Outer claw, the front wall")
        elif not piece.startswith("{"):
            parts.append(piece)
        elif name in values:
            parts.append(values[name])
        else:
            numbers.append(f"{len(numbers) + 31}.7")
            parts.append(numbers[-1] if "bare" in piece or "{unit}" in text else f"{numbers[-1]} ± 2 mm")
    told = GERMAN.phrase("".join(parts))
    assert told.language == "de"
    assert "{" not in told.text and "<" not in told.text
    for number in numbers:
        assert number.replace(".", ",") in told.text
    if "x7/y.jpg" in parts:
        assert "x7/y.jpg" in told.text


def test_sentences_one_after_the_other_are_told() -> None:
    told = GERMAN.phrase("Look at the photo first, it may be wrong. The heel of the inner claw is low: 29.5 ± 4 mm, "
                         "where 38 mm is the least that is usual. Spare the heel's horn.")  # fmt: skip
    assert told.language == "de"
    assert "29,5 ± 4 mm" in told.text
    assert "Innenklaue" in told.text


@pytest.mark.parametrize(
    "text",
    [
        "A herd's own sentence about 5 mm.",
        "The heel of the inner claw is low: very, where 38 mm is the least that is usual. Spare the heel's horn.",
        "The heel of the <b> claw is low: 29 mm, where 38 mm is the least that is usual. Spare the heel's horn.",
        "Lift and examine this foot today. And something else.",
    ],
)
def test_what_is_not_known_stays_english(text: str) -> None:
    assert GERMAN.phrase(text) == ENGLISH.phrase(text)
    assert GERMAN.phrase(text).language == "en"


def test_a_text_that_is_made_to_be_slow_is_not() -> None:
    evil = "The outer claw is shallow and its heel low: the toe stands at " + ", usual is 4 to " * 180
    start = time.process_time()
    assert GERMAN.phrase(evil).language == "en"
    assert GERMAN.phrase("Lift and examine this foot today. " * 80).language in ("en", "de")
    assert time.process_time() - start < 5.0


def test_no_phrase_orders_a_cut() -> None:
    cut_to = re.compile(
        r"\b(?:auf|um|bis zu) (?:etwa )?(?:\{[^}]*\}|\d+ ?mm) (?:zu )?(?:ge)?(?:kürzen|schneiden|nehmen|abnehmen)"
        r"|diagnos|\b(?:ist|sind) (?:gesund|in ordnung)\b",
        re.IGNORECASE,
    )
    assert cut_to.search("auf 75 mm kürzen")
    for words in (*PHRASES.values(), *GERMAN.words.values()):
        assert not cut_to.search(words), words
    for words in ENGLISH.words.values():
        assert not FORBIDDEN.search(words), words
