"""What a report of many animals costs: seconds and bytes.

Run with ``python -m tests.benchmarks.report [--animals 500] [--pdf]``. The animals are those of the sample photos, over
and over under invented names, and every photo has a picture of its own to make small.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from pathlib import Path
from typing import Any

import clawvision
from clawvision.findings.profiles import load_profiles
from clawvision.output.models import AssessmentRecord
from clawvision.output.read import read_assessment
from clawvision.output.record import dumps
from clawvision.report.catalogue import LANGUAGES, load_catalogue
from clawvision.report.html import html_page, links_of, thumbnails_of
from clawvision.report.page import page_of
from clawvision.report.pdf import animal_pdf

SAMPLES = Path(__file__).parents[2] / "sample_images"


def herd(record: AssessmentRecord, animals: int, source: Path, out: Path) -> AssessmentRecord:
    """Return a record of so many animals, with their pictures linked in ``out``."""
    (out / "annotated").mkdir(parents=True)
    data = record.model_dump(mode="json", by_alias=True)
    whole: dict[str, Any] = {**data, "photos": [], "feet": [], "animals": []}
    rounds = -(-animals // len(data["animals"]))
    for number in range(rounds):
        kept = {each["animal"] for each in data["animals"][: animals - len(whole["animals"])]}
        for part in ("photos", "feet", "animals"):
            for row in data[part]:
                if row["animal"] in kept:
                    whole[part].append(_renamed(row, number))
        for picture in (source / "annotated").iterdir():
            os.link(picture, out / "annotated" / f"{number}-{picture.name}")
    return AssessmentRecord.model_validate(whole)


def _renamed(row: dict[str, Any], number: int) -> dict[str, Any]:
    copy = {**row, "animal": f"{row['animal']} {number}"}
    if "photo" in row:
        copy["photo"] = f"{number}-{row['photo']}"
    if "photos" in row:
        copy["photos"] = [f"{number}-{name}" for name in row["photos"]]
        copy["findings"] = [
            {
                **each,
                "chain": [{**link, "photo": link["photo"] and f"{number}-{link['photo']}"} for link in each["chain"]],
            }
            for each in row["findings"]
        ]
    return copy


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--animals", type=int, default=500)
    parser.add_argument("--pdf", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        record = clawvision.assess_folder(SAMPLES, folder / "samples", jobs=1)
        out = folder / "out"
        record = herd(record, options.animals, folder / "samples", out)
        print(f"{len(record.animals)} animals, {len(record.photos)} photos, record {len(dumps(record)) / 1e6:.1f} MB")
        (out / "assessment.json").write_bytes(dumps(record))
        start = time.perf_counter()
        record = read_assessment(out)
        print(f"reading: {time.perf_counter() - start:.1f} s")
        start = time.perf_counter()
        small = thumbnails_of(record, out)
        size = sum(len(each.data) for each in small.values())
        print(f"small pictures: {time.perf_counter() - start:.1f} s, {len(small)} of them, {size / 1e6:.1f} MB")
        for language in LANGUAGES:
            start = time.perf_counter()
            catalogue = load_catalogue(language)
            page = page_of(record, catalogue, "herd", profiles=load_profiles())
            links = links_of(record, out, out / "report.html")
            text = html_page(page, catalogue, thumbnails=small, links=links)
            seconds = time.perf_counter() - start
            bare = html_page(page, catalogue, thumbnails={}, links=links, pictures="none")
            print(
                f"{language}: {seconds:.1f} s, "
                f"{len(text.encode()) / 1e6:.1f} MB, without pictures {len(bare.encode()) / 1e6:.1f} MB"
            )
        if options.pdf:
            start = time.perf_counter()
            size = sum(len(animal_pdf(each, catalogue, small, page.day)) for each in page.animals)
            print(f"printed pages: {time.perf_counter() - start:.1f} s, {size / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
