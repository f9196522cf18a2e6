"""What a report of many animals costs: seconds, bytes, and how soon a browser shows its top.

Run with ``python -m tests.benchmarks.report [--animals 500] [--pdf] [--bare]``. The animals are those of the sample
photos, over and over under invented names, and every photo has a picture of its own to make small.
"""

from __future__ import annotations

import argparse
import os
import shutil
import tempfile
import time
from pathlib import Path
from typing import Any, get_args

import clawvision
from clawvision.findings.profiles import load_profiles
from clawvision.output.models import AssessmentRecord
from clawvision.output.read import read_assessment
from clawvision.output.record import dumps
from clawvision.report.catalogue import LANGUAGES
from clawvision.report.html import Pictures
from clawvision.report.write import PAGE, Wanted, write_page, write_pdfs

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
    parser.add_argument("--bare", action="store_true", help="do not open the page in a browser")
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
        file = out / PAGE
        for language in LANGUAGES:
            for pictures in get_args(Pictures):
                start = time.perf_counter()
                page = write_page(record, out, file, Wanted(language, False, pictures, load_profiles()))
                seconds = time.perf_counter() - start
                text = file.read_text("utf-8")
                print(
                    f"{language}, pictures {pictures}: {seconds:.1f} s, {file.stat().st_size / 1e6:.1f} MB, "
                    f"{text.count('<img')} pictures, {text.count('<') // 2} elements"
                )
            if not options.bare:
                for width in (390, 1200):
                    told = ", ".join(f"{what} {at:.2f} s" for what, at in first_view(file, width).items())
                    print(f"{language}, {width} pixels wide: {told}")
        if options.pdf:
            start = time.perf_counter()
            count = write_pdfs(record, out, folder / "pdf", page, language)
            size = sum(each.stat().st_size for each in (folder / "pdf").iterdir())
            print(f"{count} printed pages: {time.perf_counter() - start:.1f} s, {size / 1e6:.1f} MB")


def first_view(file: Path, width: int) -> dict[str, float]:
    """Return after how many seconds a browser paints the page first, shows the first table, and has all of it."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        page = browser.new_context(viewport={"width": width, "height": 844}).new_page()
        start = time.perf_counter()
        page.goto(file.as_uri(), wait_until="commit")
        page.locator("#soon tbody tr").first.wait_for(state="visible")
        seen = time.perf_counter() - start
        page.wait_for_load_state("load", timeout=180_000)
        loaded = time.perf_counter() - start
        painted = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime") / 1e3
        browser.close()
    return {"first paint": painted, "who has to be lifted": seen, "whole": loaded}


if __name__ == "__main__":
    main()
