"""The page: whole, self-contained, honest to its record, readable by anybody, and safe whatever a name holds."""

from __future__ import annotations

import re
from importlib import resources
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

import clawvision
from clawvision.findings.profiles import load_profiles
from clawvision.output.models import AssessmentRecord
from clawvision.output.style import STATUS_COLOURS
from clawvision.report.catalogue import LANGUAGES, Language, load_catalogue
from clawvision.report.page import page_of
from clawvision.report.pictures import Thumbnail
from clawvision.report.views import FootView, PageView, shown
from tests.output import made_feet
from tests.report.made import Element, changed, parsed, report

CSS = (resources.files("clawvision.report") / "templates" / "report.css").read_text("utf-8")
SAMPLES = Path(__file__).parents[2] / "sample_images"
PICTURE = Thumbnail(b"\xff\xd8\xff invented", 90, 60)
DIRECTION = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f\u200b\ufeff\x00\x1b"
HOSTILE = (
    "<script>alert(1)</script>",
    "</script><script src=//invalid.example/x.js></script>",
    "</title></style></bdi><script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "\"><img src=x onerror='alert(1)'>",
    "' onmouseover='alert(1)",
    '" autofocus onfocus=alert(1) x="',
    "<svg onload=alert(1)>",
    "<svg><script>alert(1)</script></svg>",
    "<svg><animate onbegin=alert(1) attributeName=x></svg>",
    "<iframe srcdoc='<script>alert(1)</script>'></iframe>",
    "<a href=javascript:alert(1)>x</a>",
    "javascript:alert(1)",
    "data:text/html,<script>alert(1)</script>",
    "<body onload=alert(1)>",
    "<style>*{background:url(//invalid.example)}</style>",
    "<link rel=stylesheet href=//invalid.example/x.css>",
    "<meta http-equiv=refresh content='0;url=//invalid.example'>",
    "<base href=//invalid.example/>",
    "<form action=//invalid.example><button>x</button></form>",
    "<math><mi xlink:href=javascript:alert(1)>x</mi></math>",
    "<!-- x --><script>alert(1)</script><!--",
    "<![CDATA[<script>alert(1)</script>]]>",
    "&lt;script&gt;alert(1)&lt;/script&gt;",
    "&#60;script&#62;alert(1)",
    "<scr<script>ipt>alert(1)</scr</script>ipt>",
    "<ScRiPt\n>alert(1)</sCrIpT\t>",
    "{{7*7}}",
    "{{ page.__class__.__mro__ }}",
    "{% for x in ().__class__.__base__.__subclasses__() %}{{x}}{% endfor %}",
    "{# x #}{0}{page}{animal.__init__.__globals__}",
    "${7*7} #{7*7} <%= 7*7 %>",
    "`alert(1)` \\u003cscript\\u003e",
    "../../../etc/passwd",
    "..\\..\\x.png",
    "%2e%2e%2f%3Cscript%3E",
    "Bella\u202egpj.exe",
    "a" * 3000,
)


@pytest.fixture(scope="module")
def samples(tmp_path_factory: pytest.TempPathFactory) -> AssessmentRecord:
    return clawvision.assess_folder(SAMPLES, tmp_path_factory.mktemp("samples"), jobs=1)


@pytest.fixture(scope="module", params=LANGUAGES)
def page(request: pytest.FixtureRequest, samples: AssessmentRecord) -> Element:
    links = {photo.photo: f"annotated/{photo.photo}" for photo in samples.photos}
    small = dict.fromkeys(links, PICTURE)
    return parsed(report(samples, request.param, profiles=load_profiles(), thumbnails=small, links=links))


# --- one file, and nothing from elsewhere


DRAWN = {
    "svg": {"class", "role", "aria-labelledby", "viewbox", "fill", "stroke"},
    "desc": {"id"},
    "path": {"class", "d", "stroke-dasharray", "stroke-width"},
    "text": {"x", "y", "text-anchor"},
}
"""What a picture of the report's own may be made of: nothing that loads, links or moves."""


def assert_contained(page: Element) -> None:
    """No script, no address but within the page, a small picture, or the folder beside it."""
    allowed = {"meta": {"charset", "http-equiv", "content", "name"}, "img": {"src", "alt", "width", "height"}}
    usual = {"id", "class", "lang", "role", "scope", "aria-hidden", "aria-label", "data-head", "href", "colspan"}
    for element in page.walk():
        assert element.tag not in {
            "script",
            "link",
            "iframe",
            "object",
            "embed",
            "base",
            "form",
            "input",
            "math",
            "image",
            "use",
            "animate",
            "foreignobject",
        }
        if element.tag in DRAWN:
            assert set(element.attributes) <= DRAWN[element.tag], element.attributes
            continue
        assert set(element.attributes) <= allowed.get(element.tag, usual), element.attributes
        if "href" in element.attributes:
            assert element.tag == "a"
            assert re.fullmatch(r"#[a-z0-9]+|annotated/[A-Za-z0-9._%~-]+", element.attributes["href"])
        if element.tag == "img":
            assert re.fullmatch(r"data:image/(?:jpeg|webp);base64,[A-Za-z0-9+/=]+", element.attributes["src"])
    assert len(page.all("style")) == 1


def test_the_page_is_contained(page: Element) -> None:
    assert_contained(page)
    policy = next(each for each in page.all("meta") if each.attributes.get("http-equiv") == "Content-Security-Policy")
    assert policy.attributes["content"].startswith(
        "default-src 'none'; img-src data: 'self'; style-src 'unsafe-inline'"
    )
    assert "url(" not in CSS and "@import" not in CSS and "http" not in CSS


def test_every_link_within_the_page_leads_somewhere(page: Element) -> None:
    ids = [each.attributes["id"] for each in page.walk() if "id" in each.attributes]
    assert len(ids) == len(set(ids))
    for link in page.all("a"):
        if link.attributes["href"].startswith("#"):
            assert link.attributes["href"][1:] in ids


# --- for everybody


def test_language_headings_tables_and_alternatives(page: Element) -> None:
    html = page.all("html")[0]
    words = load_catalogue(html.attributes["lang"])  # type: ignore[arg-type]
    assert page.all("title")[0].text == words.word("head.title", herd="invented")
    levels = [int(each.tag[1]) for each in page.all("h1", "h2", "h3", "h4", "h5")]
    assert levels[0] == 1 and levels.count(1) == 1
    for before, after in pairwise(levels):
        assert after <= before + 1, "a heading is left out"
    for table in page.all("table"):
        assert table.all("th")
        for cell in table.all("th"):
            assert cell.attributes["scope"] in ("col", "row", "rowgroup")
        if table.attributes["class"] == "stack":
            assert table.attributes["role"] == "table"  # on a telephone it is no longer laid out as one
    for picture in page.all("img"):
        assert len(picture.attributes["alt"]) > 20
    for link in page.all("a"):
        assert link.text


def test_every_state_has_a_word_beside_its_colour(page: Element) -> None:
    words = load_catalogue(page.all("html")[0].attributes["lang"])  # type: ignore[arg-type]
    badges = [each for each in page.walk() if each.attributes.get("class", "").startswith("badge ")]
    assert badges
    for badge in badges:
        name = badge.attributes["class"].split()[1]
        group = "status" if name in STATUS_COLOURS else "level"
        assert words.word(f"{group}.{name}") in badge.text
        assert words.word(f"{group}_sign.{name}") in badge.text


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [each / 12.92 if each <= 0.04045 else ((each + 0.055) / 1.055) ** 2.4 for each in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_measure_of_contrast() -> None:
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)  # just short of AA, as is well known


def test_contrast_of_every_pair() -> None:
    colours = dict(re.findall(r"--([a-z0-9_]+-(?:ink|ground)): (#[0-9a-f]{6});", CSS))
    pairs = {name.rsplit("-", 1)[0] for name in colours}
    assert {"page", "link", "today", "unknown", "review", "refused"} <= pairs
    for pair in pairs:
        # 4.5 would be AA; 7 is AAA, since the page is read outdoors.
        assert contrast(colours[f"{pair}-ink"], colours[f"{pair}-ground"]) >= 7.0, pair
    rules = CSS.split("}", 1)[1]
    assert not re.findall(r"#[0-9a-fA-F]{3,8}\b|rgb|hsl", rules), "a colour that no test sees"
    assert set(re.findall(r"var\(--([a-z0-9_-]+)\)", rules)) <= set(colours)
    assert "outline: none" not in CSS and ":focus-visible" in CSS


# --- true to its record


def test_the_most_urgent_come_first(page: Element) -> None:
    soon = next(each for each in page.walk() if each.attributes.get("id") == "soon")
    names = [each.text for each in soon.all("th") if each.attributes["scope"] == "row"]
    assert names[0] == "Juniper"
    assert names[-1] == "Bracken"
    assert len(names) == 5


def test_everything_that_is_said_is_on_the_page(samples: AssessmentRecord) -> None:
    text = parsed(report(samples)).text
    for foot in samples.feet:
        for finding in foot.findings:
            for part in (finding.title, finding.text, finding.exact, finding.where, finding.look_for, finding.basis):
                assert part in text
        said = (*foot.urgency.reasons, foot.urgency.text, *foot.trim.text, *foot.trim.steps, *foot.trim.cautions)
        for part in (*said, *foot.trim.slow_down, *foot.trim.feel_for):
            assert part in text
        for question in foot.urgency.questions:
            assert question.text in text
    for photo in samples.photos:
        assert photo.photo in text
        for reason in photo.reasons:
            assert reason.message in text and reason.advice in text
    for animal in samples.animals:
        assert animal.pattern in text


def test_the_german_page_holds_the_same_findings_and_numbers(samples: AssessmentRecord) -> None:
    one, other = parsed(report(samples)), parsed(report(samples, "de"))
    # A span is there only to mark another language.
    tags = [
        [(each.tag, each.attributes.get("id")) for each in page.walk() if each.tag != "span"] for page in (one, other)
    ]
    assert tags[0] == tags[1]
    for left, right in zip(one.all("td", "p", "li"), other.all("td", "p", "li"), strict=True):
        numbers = [sorted(re.findall(r"\d+(?:\.\d+)?", each.replace(",", "."))) for each in (left.text, right.text)]
        assert numbers[0] == numbers[1], (left.text, right.text)


def test_only_sources_and_names_stay_english(samples: AssessmentRecord) -> None:
    page = parsed(report(samples, "de"))
    folded = {id(each) for part in (*page.all("details"), by_id(page)["sources"]) for each in part.walk()}
    english = [each.text for each in page.walk() if each.attributes.get("lang") == "en" and id(each) not in folded]
    assert english == []
    # What is folded is the chain with its sources; a finding's other words are German there too.
    for article in page.all("article"):
        assert not [each for each in article.all("details")[0].walk() if each.attributes.get("lang") == "en"]


def by_id(page: Element) -> dict[str, Element]:
    return {each.attributes["id"]: each for each in page.walk() if "id" in each.attributes}


def test_a_finding_is_traced_to_picture_numbers_and_source(samples: AssessmentRecord, page: Element) -> None:
    assert_traced(samples, page)


def assert_traced(record: AssessmentRecord, page: Element) -> None:
    """One click leads to the picture; one unfolds the numbers, and a second leads to each one's source and the rule."""
    ids, words = by_id(page), load_catalogue(page.all("html")[0].attributes["lang"])  # type: ignore[arg-type]
    findings = [finding for each in (*record.feet, *record.animals) for finding in each.findings]
    articles = page.all("article")
    assert len(articles) == len(findings) > 0
    for article in articles:
        links = {each.attributes["href"][1:] for each in article.all("a")}
        assert any(ids[link].tag == "figure" for link in links)
        chain = article.all("details")[-1]
        assert any("±" in row.text for row in chain.all("li"))
        unfolded = [ids[each.attributes["href"][1:]] for each in chain.all("a")]
        sources = [each for each in unfolded if each.attributes["id"].startswith("s")]
        rules = [each for each in unfolded if each.attributes["id"].startswith("r")]
        assert sources and rules
        # Every limit says where it comes from, beside it.
        for row in chain.all("li"):
            if words.word("chain.limit") in row.text:
                assert row.all("a")[-1].attributes["href"][1:].startswith("s")
    told = ids["sources"].text
    for finding in findings:
        for row in finding.chain:
            if row["source"] != "computed":
                assert words.phrase(str(row["source"])).text in told


def test_a_caution_stands_once_on_each_foot(samples: AssessmentRecord) -> None:
    page = parsed(report(samples))
    feet = [each for each in page.all("section") if each.attributes.get("class") == "foot"]
    assert len(feet) == len(samples.feet)
    for foot in feet:
        assert foot.text.count("Disinfect knife, disc, gloves and the scale card between feet.") == 1


def test_values_beside_what_is_usual(samples: AssessmentRecord) -> None:
    page = page_of(samples, load_catalogue("en"), "x", profiles=load_profiles())
    measures = [row for each in feet_of(page) for part in each.measures for row in part.taken]
    lengths = [each for each in measures if each.name == "toe length"]
    for each in lengths:
        value, doubt = (float(part) for part in re.findall(r"[\d.]+", each.value)[:2])
        *low, high = (float(part) for part in re.findall(r"[\d.]+", each.usual))
        side = "above" if value - doubt > high else "below" if low and value + doubt < low[0] else None
        if side:
            assert side in each.against
        else:
            assert "above" not in each.against and "below" not in each.against
    assert lengths
    assert any("above" in each.against for each in lengths)
    assert all(each.usual is not None for each in feet_of(page))
    assert all(references for each in page.usual for _, _, references in each.rows)


def feet_of(page: PageView) -> list[FootView]:
    return [foot for animal in page.animals for foot in animal.feet]


def test_every_measure_is_on_the_page(samples: AssessmentRecord) -> None:
    page = page_of(samples, load_catalogue("en"), "x", profiles=load_profiles())
    html = parsed(report(samples, profiles=load_profiles()))
    tables = [each for each in html.all("table") if each.attributes["class"] == "measures"]
    shown_values = " ".join(each.text for each in tables)
    taken = [row for foot in feet_of(page) for part in foot.measures for row in part.taken]
    recorded = [
        measure
        for photo in samples.photos
        if photo.status != "refused"
        for group in (*(claw.measures for claw in photo.claws.values()), photo.foot_measures)
        for measure in group.values()
    ]
    assert len(taken) == sum(each.value is not None for each in recorded)
    assert sum(foot.measure_count for foot in feet_of(page)) == len(recorded)
    for row in taken:
        assert row.value in shown_values
    for each in recorded:
        assert each.reason is None or each.reason in shown_values


def test_what_a_comparison_tells_is_not_told_twice(samples: AssessmentRecord) -> None:
    for foot in feet_of(page_of(samples, load_catalogue("en"), "x")):
        for finding in foot.findings:
            compared = [row for row in finding.chain if row.side]
            alone = [row for row in finding.chain if not (row.side or row.how)]
            assert not [row for row in alone if any((row.what, row.value) == (c.what, c.value) for c in compared)]


def test_reference_values_of_another_run_are_not_shown(samples: AssessmentRecord) -> None:
    run = samples.run.model_dump(mode="json")
    run["reference_profiles"][0]["sources"] = ["a herd's own"]
    page = page_of(changed(samples, run=run), load_catalogue("en"), "x", profiles=load_profiles())
    assert not any(foot.usual for foot in feet_of(page)) and not page.usual
    assert not any(row.usual for foot in feet_of(page) for part in foot.measures for row in part.taken)


def test_what_a_trim_did_is_told() -> None:
    text = parsed(report(made_feet.assessment())).text
    for part in ("Outer claw: the toe is 21 ± 4 mm shorter than before.", "Look again by: 2031-04-30"):
        assert part in text
    assert "the most that could be spare, were it an ordinary claw: 44.1 mm. No length to take" in text
    assert "not said. It is not known which foot this is." in text


def test_a_photo_of_several_feet_is_shown_once() -> None:
    page = parsed(report(made_feet.assessment()))
    ids = [each.attributes["id"] for each in page.walk() if "id" in each.attributes]
    assert len(ids) == len(set(ids))
    assert len(page.all("figure")) == 2


def test_exact_words_first() -> None:
    plain, exact = (parsed(report(made_feet.assessment(), exact=each)).all("article")[0] for each in (False, True))
    assert plain.all("p")[0].text == "One claw is long while the others are not."
    assert exact.all("p")[0].text == "Solitary overgrowth."


def test_english_within_german_is_marked() -> None:
    """The invented cow's sentences are in no table, so that they stay English."""
    page = parsed(report(made_feet.assessment(), "de"))
    spoken = [each for each in page.walk() if each.attributes.get("lang") == "en"]
    assert any(each.text == "Begin with the inner claw." for each in spoken)
    assert all(each.text != "The toe." or each.attributes.get("lang") == "en" for each in page.all("dd"))


# --- hostile


def spread(record: AssessmentRecord, evil: str) -> AssessmentRecord:
    """Return the record with ``evil`` in every free text."""

    def put(value: Any, key: str = "") -> Any:
        fixed = {"schema", "sha256", "unit", "effect", "status", "foot", "view", "claw", "stage", "level", "strength"}
        fixed |= {"could_become", "state", "reference", "focal_source", "source", "trimmed", "model_sha256", "signs"}
        if isinstance(value, dict):
            names = {name: f"{name} {evil}" if key in ("measures", "foot_measures") else name for name in value}
            return {names[name]: put(part, name) for name, part in value.items()}
        if isinstance(value, list):
            return [put(part, key) for part in value]
        return evil if isinstance(value, str) and (key not in fixed or (key == "source" and value == "")) else value

    data = record.model_dump(mode="json", by_alias=True)
    for part in ("photos", "feet", "animals"):
        for row in data[part]:
            row.update(put(row))
    data["run"] = put(data["run"])
    return AssessmentRecord.model_validate(data)


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("evil", HOSTILE)
def test_hostile_words_are_only_words(evil: str, language: Language) -> None:
    record = spread(made_feet.assessment(), evil)
    html = report(record, language, thumbnails={evil: PICTURE})
    tree = parsed(html)
    assert_contained(tree)
    benign = parsed(report(spread(made_feet.assessment(), "benign"), language, thumbnails={"benign": PICTURE}))
    assert [each.tag for each in tree.walk()] == [each.tag for each in benign.walk()]
    assert shown(evil, 80) in tree.text or len(evil) > 80 or "  " in evil or "\n" in evil or "\t" in evil


def test_direction_marks_and_controls_are_left_out() -> None:
    html = report(spread(made_feet.assessment(), f"Bel{DIRECTION}la"))
    assert not set(DIRECTION) & set(html)
    names = [each for each in parsed(html).all("bdi") if each.text == "Bella"]
    assert names  # a name's own direction does not reach the words around it


def test_an_empty_record() -> None:
    empty = changed(made_feet.assessment(), photos=[], feet=[], animals=[])
    page = parsed(report(empty))
    assert_contained(page)
    assert "The assessment holds no animals." in page.text
