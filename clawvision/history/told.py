"""What a store tells of a foot over time, and of feet that are due: text, JSON and a table. Judges nothing itself."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from typing import Any

from clawvision.findings.herd import counted
from clawvision.findings.quantities import DAYS_PER_MONTH
from clawvision.findings.values import PROFILE_VALUES
from clawvision.growth import Break, Comparison, Estimate, Forecast, ToeReading, due_kind
from clawvision.growth.rate import Z
from clawvision.history.growth import ClawGrowth, DueFeet, FootDue, FootGrowth, LimitName
from clawvision.history.rows import StoredFinding
from clawvision.output.rounding import rounded
from clawvision.output.table import number_cell, text_cell
from clawvision.output.wording import FOOT_WORDS, STAGE_WORDS
from clawvision.plain import WIDTH, plain, wrapped

CAUTIONS = (
    "A rate is growth less wear, of the photos' straight line. The season changes it.",
    "A date is a day to look at the foot by, not a day to cut, and no length here is a line or a length to cut to: "
    "a photo shows neither how thin the sole is nor what hurts.",
    "Whether a cow is lame is seen as she walks. A foot that takes no weight, swells, bleeds or smells is for the "
    "veterinarian at once, whatever the photos say.",
)
BREAK_WORDS = {
    "trim noted": "trim noted",
    "before or after photo": "trim, by photos before or after it",
    "trim not noted?": "shorter faster than a claw wears: trim not noted?",
}
_ASKED: Mapping[str, str] = {
    "growth_above_high": "Faster than walls grow at most",
    "growth_below_low": "More slowly than walls grow",
    "growth_beyond_belief": "Faster than can be believed",
    "growth_over_partner": "One claw faster than the other",
}
_LONG_AGO_DAYS = 365
DUE_COLUMNS = (
    "animal",
    "foot",
    "due",
    "claw",
    "last_photo",
    "length_mm",
    "uncertainty_mm",
    "limit",
    "limit_mm",
    "rate_mm_month",
    "rate_low",
    "rate_high",
    "from",
    "most_likely",
    "at_the_latest",
    "why",
)


def foot_text(foot: FootGrowth, findings: Sequence[StoredFinding], limit: LimitName) -> str:
    """Return all that is said of a foot over time, for people."""
    name = f"{foot.animal}, {FOOT_WORDS[foot.foot]} foot ({foot.foot})"
    lines = [plain(name), "=" * min(len(plain(name)), WIDTH)]
    if foot.claws:
        title = "not known here; give its folder with --profiles" if foot.profile is None else foot.profile.title
        assumed = " (assumed: no photo names one)" if foot.assumed else ""
        lines += _wrapped(f"Compared with the profile {foot.profile_name}: {title}{assumed}.")
        for claw in foot.claws:
            lines += ["", *_claw_lines(claw, limit)]
        lines += ["", "Outer and inner claw"]
        partners = "There is no pair of claws to compare." if foot.partners is None else _comparison_text(foot.partners)
        lines += _wrapped(partners, "  ", "    ")
    else:
        lines += _wrapped("No toe length of this foot on a known day is stored, so nothing is known of its growth.")
    lines += ["", "Found earlier"]
    lines += [line for each in findings for line in _finding_lines(each)] or ["  Nothing is stored."]
    if foot.notes:
        lines += ["", "Of the herd's rates"]
        lines += [line for note in foot.notes for line in _wrapped(note, "  - ", "    ")]
    return "\n".join(lines)


def cautions_text() -> str:
    """Return what is to be kept in mind, whatever is shown."""
    return "\n".join(["Keep in mind", *(line for each in CAUTIONS for line in _wrapped(each, "  - ", "    "))])


def foot_json(animal: str, feet: Sequence[tuple[FootGrowth, Sequence[StoredFinding]]], limit: LimitName) -> str:
    """Return the same for programs: JSON in which nothing acts on a terminal."""
    told = {
        "schema": "clawvision/foot-history/1",
        "animal": animal,
        "limit": f"toe_length_{limit}",
        "feet": [
            {
                "foot": foot.foot,
                "profile": foot.profile_name,
                "profile_assumed": foot.assumed,
                "claws": [_claw_json(claw) for claw in foot.claws],
                "partners": None if foot.partners is None else _comparison_json(foot.partners),
                "findings": [_finding_json(each) for each in findings],
                "notes": list(foot.notes),
            }
            for foot, findings in feet
        ],
        "cautions": list(CAUTIONS),
    }
    return _dumps(told)


def due_text(due: DueFeet, on: date, limit: LimitName) -> str:
    """Return the due list for people, worst first."""
    what = PROFILE_VALUES[f"toe_length_{limit}"].meaning
    head = f"Feet to look at by {due.by}: a claw is, or may by then be, at the profile's toe_length_{limit} ({what})."
    lines = _wrapped(head)
    if not due.due:
        lines += ["", "None of the feet of which enough is known."]
    for number, foot in enumerate(due.due, start=1):
        lines += ["", *_due_lines(foot, f"{number}. ", on)]
    if due.unknown:
        lines += ["", *_wrapped("Not known, so look yourself:")]
        lines += [line for foot in due.unknown for line in _unknown_lines(foot)]
    count = counted(len(due.due), "foot", "feet")
    lines += ["", *_wrapped(f"{count} due, {len(due.unknown)} not known, {due.later} later.")]
    return "\n".join(lines)


def due_json(due: DueFeet, on: date, limit: LimitName) -> str:
    """Return the due list for programs."""
    return _dumps(
        {
            "schema": "clawvision/due/1",
            "on": on,
            "by": due.by,
            "limit": f"toe_length_{limit}",
            "due": [_due_json(foot) for foot in due.due],
            "unknown": [_due_json(foot) for foot in due.unknown],
            "later": due.later,
            "cautions": list(CAUTIONS),
        }
    )


def due_csv(due: DueFeet, limit: LimitName) -> bytes:
    """Return the due list as a table, one row a claw of a foot that is due or not known, in the list's order."""
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow(DUE_COLUMNS)
    for kind, feet in (("due", due.due), ("unknown", due.unknown)):
        for foot in feet:
            for claw in foot.claws:
                writer.writerow(_due_row(foot, kind, claw, limit))
            if not foot.claws:
                why = text_cell(" ".join(foot.reasons))
                writer.writerow([text_cell(foot.animal), foot.foot or "", kind, *[""] * 12, why])
    return buffer.getvalue().encode("utf-8")


def rate_words(rate: Estimate) -> str:
    """Return a rate with its interval, in a line."""
    return f"{rate.value:.1f} mm a month (95 %: {rate.low:.1f} to {rate.high:.1f})"


def _claw_lines(claw: ClawGrowth, limit: LimitName) -> Iterator[str]:
    own, series = claw.claw.own, claw.readings.series
    yield f"{series.claw.capitalize()} claw"
    yield from _lengths(series.readings, own.breaks)
    review, unusable = claw.readings.review, claw.readings.unusable
    for count, why in ((review, "that a person has to look at first"), (unusable, "without a usable length")):
        if count:
            yield from _wrapped(f"Left out: {counted(count, 'photo', 'photos')} {why}.", "  ", "    ")
    if own.estimate is not None:
        yield from _wrapped(f"Grows longer by {rate_words(own.estimate)}, by its own photos.", "  ", "    ")
    # Where there is no herd to learn from, both are the same.
    if claw.claw.estimate is not None and claw.claw.estimate != own.estimate:
        words = f"Grows longer by {rate_words(claw.claw.estimate)}, as the herd's other claws tell it too."
        yield from _wrapped(words, "  ", "    ")
    if own.estimate is None:
        yield from _wrapped(f"No rate of its own: {own.reason}", "  ", "    ")
    if claw.claw.estimate is None and claw.claw.reason and claw.claw.reason != own.reason:
        yield from _wrapped(f"No rate from the herd: {claw.claw.reason}", "  ", "    ")
    if claw.claw.own_rank is not None:
        rank = f"Rank {claw.claw.own_rank} of {claw.of} by its own photos, 1 being the fastest."
        yield from _wrapped(rank, "  ", "    ")
    if claw.claw.stands_out and claw.claw.unlike is not None:
        odd = f"It grows unlike the herd (probability {100 * claw.claw.unlike:.0f} %): look for a cause, or an error."
        yield from _wrapped(odd, "  ", "    ")
    for note in own.notes:
        yield from _wrapped(note, "  ", "    ")
    for comparison in claw.comparisons:
        yield from _wrapped(_comparison_text(comparison), "  ", "    ")
    yield from _wrapped(_forecast_text(claw.forecast, limit), "  ", "    ")


def _lengths(readings: Sequence[ToeReading], breaks: Sequence[Break]) -> Iterator[str]:
    """Give the lengths by day, with a line where a trim breaks them."""
    kinds = {(each.last, each.next): each.kind for each in breaks}
    previous: ToeReading | None = None
    for each in readings:
        if previous is not None and (previous.day, previous.stage) != (each.day, each.stage):
            kind = kinds.get((previous.day, each.day))
            if kind is not None:
                yield f"    --- {BREAK_WORDS[kind]} ---"
        yield f"    {each.day}  {each.length_mm:6.1f} ± {2 * each.u_mm:.1f} mm  {STAGE_WORDS[each.stage]}"
        previous = each
    if not readings:
        yield "    no length"


def _comparison_text(comparison: Comparison) -> str:
    asked = _ASKED[comparison.code]
    if comparison.limit is not None and comparison.code != "growth_over_partner":
        asked += f" ({comparison.limit:g} mm a month)"
    words = f"{asked}: {comparison.state}."
    if comparison.state != "not shown" or comparison.code == "growth_over_partner":
        words += f" {comparison.text}"
    if comparison.value is not None and comparison.code == "growth_over_partner":
        words += f" Outer less inner: {rate_words(comparison.value)}."
    if comparison.also_explained_by:
        words += f" Or else: {comparison.also_explained_by}"
    if comparison.state == "shown" and comparison.source:
        words += f" [{comparison.status}: {comparison.source}]"
    return words


def _forecast_text(told: Forecast, limit: LimitName) -> str:
    meaning = PROFILE_VALUES[f"toe_length_{limit}"].meaning
    if told.limit_mm is None:
        return f"No date: {told.reason}"
    what = f"{told.limit_mm:g} mm (toe_length_{limit}: {meaning})"
    if told.reason is not None and told.early is None:
        return f"No date for {what}: {told.reason}"
    return f"Meets {what}: {told.text.rstrip('.')}."


def _finding_lines(each: StoredFinding) -> Iterator[str]:
    titles = "; ".join(
        f"{found.claw + ' claw: ' if found.claw else ''}{found.title or found.code}" for found in each.findings
    )
    stage = "" if each.stage == "check" else f", {STAGE_WORDS[each.stage]}"
    when = f"{each.day or 'day not known'}{stage}"
    yield from _wrapped(f"{when}: {each.urgency.level}. {titles or 'No finding in these photos'}.", "  ", "    ")


def _due_lines(foot: FootDue, number: str, on: date) -> Iterator[str]:
    yield plain(f"{number}{foot.animal} {foot.foot}")
    for claw in foot.claws:
        yield from _wrapped(_due_claw(claw, on), "   ", "     ")


def _due_claw(claw: Forecast, on: date) -> str:
    words = f"{claw.key[2]}: {claw.text.rstrip('.')}"
    if claw.level_mm is not None and claw.u_level_mm is not None and claw.last is not None:
        words += f"; {claw.level_mm:.0f} ± {Z * claw.u_level_mm:.0f} mm on {claw.last}"
    if claw.rate is not None:
        words += f", {rate_words(claw.rate)}"
    if claw.last is not None and (on - claw.last).days > _LONG_AGO_DAYS:
        words += f". The last photo is {math.floor((on - claw.last).days / DAYS_PER_MONTH)} months old"
    return words + "."


def _unknown_lines(foot: FootDue) -> Iterator[str]:
    name = f"{foot.animal}{'' if foot.foot is None else f' {foot.foot}'}"
    yield from _wrapped(f"{name}: {' '.join(foot.reasons)}", "  ", "    ")


def _claw_json(claw: ClawGrowth) -> dict[str, Any]:
    own, series = claw.claw.own, claw.readings.series
    return {
        "claw": series.claw,
        "lengths": [
            {"day": each.day, "stage": each.stage, "value": each.length_mm, "uncertainty": 2 * each.u_mm, "unit": "mm"}
            for each in series.readings
        ],
        "left_out": {"review": claw.readings.review, "unusable": claw.readings.unusable},
        "trims": list(series.trims),
        "breaks": [{"last": each.last, "next": each.next, "kind": each.kind} for each in own.breaks],
        "rate_own": _estimate_json(own.estimate),
        "rate_own_reason": own.reason,
        "rate_herd": _estimate_json(claw.claw.estimate),
        "rate_herd_reason": claw.claw.reason,
        "own_rank": claw.claw.own_rank,
        "rank": claw.claw.rank,
        "of": claw.of,
        "unlike": claw.claw.unlike,
        "stands_out": claw.claw.stands_out,
        "notes": list(own.notes),
        "comparisons": [_comparison_json(each) for each in claw.comparisons],
        "forecast": _forecast_json(claw.forecast),
    }


def _estimate_json(rate: Estimate | None) -> dict[str, Any] | None:
    if rate is None:
        return None
    return {"value": rate.value, "u": rate.u, "low": rate.low, "high": rate.high, "unit": "mm/month"}


def _comparison_json(each: Comparison) -> dict[str, Any]:
    return {
        "code": each.code,
        "state": each.state,
        "value": _estimate_json(each.value),
        "limit": each.limit,
        "source": each.source,
        "status": each.status,
        "text": each.text,
        "also_explained_by": each.also_explained_by,
    }


def _forecast_json(told: Forecast) -> dict[str, Any]:
    return {
        "claw": told.key[2],
        "kind": due_kind(told),
        "limit_mm": told.limit_mm,
        "last_photo": told.last,
        "length_mm": told.level_mm,
        "u_length_mm": told.u_level_mm,
        "rate": _estimate_json(told.rate),
        "beyond": told.beyond,
        "from": told.early,
        "most_likely": told.expected,
        "at_the_latest": told.late,
        "text": told.text,
        "reason": told.reason,
    }


def _finding_json(each: StoredFinding) -> dict[str, Any]:
    return {
        "day": each.day,
        "stage": each.stage,
        "profile": each.profile,
        "urgency": each.urgency.level,
        "text": each.urgency.text,
        "findings": [{"code": found.code, "claw": found.claw, "title": found.title} for found in each.findings],
        "software": each.software,
    }


def _due_json(foot: FootDue) -> dict[str, Any]:
    return {
        "animal": foot.animal,
        "foot": foot.foot,
        "claws": [_forecast_json(claw) for claw in foot.claws],
        "reasons": list(foot.reasons),
    }


def _due_row(foot: FootDue, kind: str, claw: Forecast, limit: LimitName) -> list[str]:
    rate = claw.rate
    doubt = None if claw.u_level_mm is None else Z * claw.u_level_mm
    numbers = [claw.level_mm, doubt]
    rates = [None, None, None] if rate is None else [rate.value, rate.low, rate.high]
    return [
        text_cell(foot.animal),
        foot.foot or "",
        kind,
        claw.key[2],
        _day(claw.last),
        *(number_cell(rounded(each), ".") for each in numbers),
        f"toe_length_{limit}",
        number_cell(claw.limit_mm, "."),
        *(number_cell(rounded(each), ".") for each in rates),
        *(_day(each) for each in (claw.early, claw.expected, claw.late)),
        text_cell(claw.text),
    ]


def _day(day: date | None) -> str:
    return "" if day is None else day.isoformat()


def _dumps(told: Mapping[str, Any]) -> str:
    # Letters beyond ASCII are escaped, and with them all that would act on a terminal.
    return json.dumps(_plain_values(told), indent=2, allow_nan=False)


def _plain_values(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _plain_values(part) for key, part in value.items()}
    if isinstance(value, list):
        return [_plain_values(part) for part in value]
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return rounded(value) if math.isfinite(value) else None
    return value


def _wrapped(text: str, first: str = "", others: str = "") -> list[str]:
    return wrapped(text, first, others).splitlines()
