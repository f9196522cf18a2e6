"""What a store of earlier photos tells of a foot, in the report's words: lengths, how fast each claw grows, dates."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date

from clawvision.findings.profiles import Profile
from clawvision.growth import Forecast
from clawvision.history import need
from clawvision.history.growth import ClawGrowth, FootGrowth, herd_feet
from clawvision.output.models import AssessmentRecord
from clawvision.report.catalogue import Catalogue, Said
from clawvision.report.sketch import Line, Words, sketch
from clawvision.report.views import HistoryView, capital, said

_MOST_DESCRIBED = 12
"""Lengths of a claw that are read out, the latest ones."""


def read_history(
    address: str, record: AssessmentRecord, profiles: Mapping[str, Profile]
) -> Mapping[tuple[str, str], FootGrowth]:
    """Return what a store tells of each foot, from photos taken up to the day of the assessment.

    Raises
    ------
    UsageError
        If the store cannot be read.
    MissingExtraError
        If the packages that keep a history are not installed.
    """
    need("history")
    from clawvision.history.due import read_herd
    from clawvision.history.store import open_store

    with open_store(address) as store:
        found = herd_feet(read_herd(store, profiles, _day_of(record)))
    return {(animal, str(foot)): told for (animal, foot), told in found.items()}


def _day_of(record: AssessmentRecord) -> date | None:
    """Return the day of the assessment; None, so that all photos count, where the record names none."""
    try:
        return date.fromisoformat(record.run.finished[:10])
    except ValueError:
        return None


def history_view(foot: FootGrowth | None, words: Catalogue, key: str) -> HistoryView:
    """Return what is said of a foot over time, plainly also where nothing is known.

    Parameters
    ----------
    foot
        What the store tells, None where it holds no length of the foot.
    words
        The words of the report.
    key
        Beginning of the picture's own names on the page.
    """
    claws = [] if foot is None else [claw for claw in foot.claws if claw.readings.series.readings]
    if foot is None or not claws:
        return HistoryView("", (), words.word("history.none"))
    limit = next((claw.forecast.limit_mm for claw in claws if claw.forecast.limit_mm is not None), None)
    lines = [Line(_name(claw, words), claw.between_trims) for claw in claws]
    trims = [day for claw in claws for day in claw.trim_days]
    drawn = sketch(
        lines,
        trims,
        limit,
        Words(
            title=words.word("history.picture"),
            described=" ".join(_described(claw, words) for claw in claws),
            limit="" if limit is None else words.word("history.limit", limit=_mm(limit, words, 0)),
            trim=words.word("history.trim"),
        ),
        key,
    )
    told = [each for claw in claws for each in _claw(claw, words)]
    if foot.partners is not None and foot.partners.state == "shown":
        told.append(said(foot.partners.text, words))
    return HistoryView(drawn, tuple(told), words.word("history.caution"))


def _claw(claw: ClawGrowth, words: Catalogue) -> Iterator[Said]:
    name, own = _name(claw, words), claw.claw.own
    rate = claw.claw.estimate or own.estimate
    if rate is not None:
        low, value, high = (_mm(each, words) for each in (rate.low, rate.value, rate.high))
        by = words.word("history.by_own" if own.estimate is not None else "history.by_herd")
        text = words.word("history.rate", claw=name, value=value, low=low, high=high, by=by)
        yield Said(capital(text), words.language)
    else:
        why = said(claw.claw.reason or own.reason or "", words)
        yield Said(f"{capital(name)}: {words.word('history.no_rate')} {why.text}".strip(), why.language)
    yield from _forecast(name, claw.forecast, words)
    for each in claw.comparisons:
        if each.state == "shown":
            shown = said(each.text, words)
            yield Said(f"{capital(name)}: {shown.text}", shown.language)
    left = claw.readings.review + claw.readings.unusable
    if left:
        told = words.word("history.left_out_one") if left == 1 else words.word("history.left_out", count=left)
        yield Said(f"{capital(name)}: {told}", words.language)


def _forecast(name: str, told: Forecast, words: Catalogue) -> Iterator[Said]:
    if told.limit_mm is None:
        return
    limit = _mm(told.limit_mm, words, 0)
    if told.beyond == "shown":
        yield Said(capital(words.word("history.already", claw=name, limit=limit)), words.language)
    elif told.reason is not None:
        if told.early is not None:
            yield Said(capital(words.word("history.may_be", claw=name, limit=limit)), words.language)
    else:
        never = words.word("history.never")
        may_be = told.early is not None and told.early == told.last
        early = words.word("history.may_be_now") if may_be else _day(told.early, never)
        text = words.word(
            "history.meets",
            claw=name,
            limit=limit,
            early=early,
            expected=_day(told.expected, never),
            late=_day(told.late, never),
        )
        yield Said(capital(text), words.language)


def _described(claw: ClawGrowth, words: Catalogue) -> str:
    """Return a claw's lengths for those who do not see the picture."""
    readings = claw.readings.series.readings[-_MOST_DESCRIBED:]
    told = "; ".join(
        words.word(
            "history.length",
            day=each.day.isoformat(),
            length=_mm(each.length_mm, words),
            doubt=_mm(2 * each.u_mm, words),
            stage=words.word(f"stage.{each.stage}"),
        )
        for each in readings
    )
    return f"{capital(_name(claw, words))}: {told}."


def _name(claw: ClawGrowth, words: Catalogue) -> str:
    return words.word(f"claw.{claw.readings.series.claw}")


def _day(day: date | None, never: str) -> str:
    return never if day is None else day.isoformat()


def _mm(value: float, words: Catalogue, decimals: int = 1) -> str:
    return words.number(f"{value:.{decimals}f}".replace("-", "−"))
