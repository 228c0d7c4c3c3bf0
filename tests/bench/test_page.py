"""The page of a run, opened in a real browser."""

import base64
import csv
import io
import json
import os
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from moteyard.bench import run
from moteyard.bench.cli import main
from moteyard.bench.gallery import COLUMNS, TILE_PX
from moteyard.bench.store import FALSE_ALARM, HIT, open_store

HERE = Path(__file__).parent
TINY = str(HERE / "tiny.toml")
PHOTOS = HERE.parent / "photos"

BROWSERS = ("chromium", "chromium-browser")


@pytest.fixture(scope="module")
def browser():
    """A headless browser of the system; none is downloaded."""
    path = next(filter(None, map(shutil.which, BROWSERS)), None)
    if path is None:
        pytest.skip(f"no browser to open the page in; install one of {', '.join(BROWSERS)}")
    driver = pytest.importorskip("playwright.sync_api", reason="playwright is not installed; it is in the test extra")
    with driver.sync_playwright() as playwright:
        arguments = ["--no-sandbox"] if os.geteuid() == 0 else []  # the sandbox does not start for root
        browser = playwright.chromium.launch(executable_path=path, args=arguments)
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    """A finished run of the tiny suite."""
    folder = tmp_path_factory.mktemp("page") / "tiny"
    words = [word for name in ("nothing", "matched", "dog") for word in ("--detector", name)]
    assert main(["rank", TINY, "--out", str(folder), *words]) == 0
    return folder


class Opened:
    """A page with what it said and asked for."""

    def __init__(self, browser, file, **context):
        self.said, self.asked = [], []
        self.context = browser.new_context(**context)
        self.page = self.context.new_page()
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(file.as_uri())


@pytest.fixture
def opened(browser, result):
    one = Opened(browser, result / "report.html", viewport={"width": 1280, "height": 900})
    one.page.locator("#interactive").wait_for()  # the data are unpacked after the page has loaded
    yield one
    one.context.close()


def _pick(page, group, name):
    page.locator(f"#pick-{group} label", has_text=re.compile(f"^{re.escape(name)}$")).locator("input").check()


def _recount(folder, *, ground, f_number, method, threshold):
    """Count hits, false alarms, visible shadows and frames from the store's rows, by nothing but comparison."""
    store = open_store(folder)
    frames = {row.scene: row for row in store.frames() if (row.ground, row.f_number) == (ground, f_number)}
    rows = [row for row in store.results() if row.detector == method and row.scene in frames]
    store.close()
    kinds = np.concatenate([row.spots["kind"][row.spots["score"] > threshold] for row in rows])
    shadows = sum(int(frame.truth["counted"].sum()) for frame in frames.values())
    return int((kinds == HIT).sum()), int((kinds == FALSE_ALARM).sum()), shadows, len(frames)


def test_it_opens_in_silence_and_asks_for_nothing(opened, result):
    opened.page.get_by_label("raise contrast").check()
    assert opened.said == []
    assert [url for url in opened.asked if not url.startswith("data:")] == [(result / "report.html").as_uri()]
    assert opened.page.locator("#interactive").is_visible()


@pytest.mark.parametrize(("ground", "f_number", "method"), [("sky", 22.0, "matched"), ("scrub", 11.0, "dog")])
@pytest.mark.parametrize("step", [3, 20, 40])
def test_the_numbers_are_those_of_the_store(opened, result, ground, f_number, method, step):
    page = opened.page
    _pick(page, "ground", ground)
    _pick(page, "f", f"f/{f_number:g}")
    _pick(page, "method", method)
    page.locator("#threshold").fill(str(step))
    cells = json.loads((result / "explore.json").read_text(encoding="utf-8"))["cells"]
    (cell,) = (one for one in cells if (one["ground"], one["f_number"]) == (ground, f_number))
    threshold = cell["methods"][method]["threshold"][::-1][step]
    assert float(page.locator("#score").inner_text().replace("−", "-")) == pytest.approx(threshold, rel=1e-3)
    hits, false, shadows, frames = _recount(
        result, ground=ground, f_number=f_number, method=method, threshold=threshold
    )
    assert page.locator("#recall").inner_text() == f"{100 * hits / shadows:.1f} %"
    told = page.locator("#precision").inner_text()
    assert told == (f"{100 * hits / (hits + false):.1f} %" if hits + false else "–")
    assert page.locator("#false").inner_text() == f"{false / frames:.2f}"
    page.locator("#roll").fill(str(100 * frames))
    assert page.locator("#needless").inner_text() == f"{100 * false:,}"
    assert page.locator("#missed").inner_text() == f"{100 * (shadows - hits):,}"


def test_the_gallery_follows_the_threshold(opened):
    page = opened.page
    _pick(page, "ground", "sky")
    page.locator("#threshold").fill(page.locator("#threshold").get_attribute("max"))
    strict = [page.locator(f"#{kind} li .crop").count() for kind in ("misses", "hits", "alarms")]
    page.locator("#threshold").fill("0")
    lax = [page.locator(f"#{kind} li .crop").count() for kind in ("misses", "hits", "alarms")]
    assert strict[0] > lax[0]
    assert strict[1] < lax[1]
    assert strict[2] < lax[2]
    assert sum(strict[:2]) == sum(lax[:2]) > 5


def test_a_method_that_proposes_nothing_can_be_picked(opened):
    page = opened.page
    _pick(page, "method", "nothing")
    assert page.locator("#recall").inner_text() == "0.0 %"
    assert page.locator("#threshold").is_disabled()
    assert page.locator("#hits .crop").count() == page.locator("#alarms .crop").count() == 0
    assert page.locator("#misses .crop").count() > 5
    assert opened.said == []


def test_crops_are_pictures_of_shadows(opened):
    page = opened.page
    _pick(page, "f", "f/22")
    page.get_by_label("outlines").uncheck()
    page.get_by_label("raise contrast").check()
    crop = page.locator("#hits .crop").last
    pixels = np.asarray(Image.open(io.BytesIO(crop.screenshot())).convert("L"), dtype=float)
    middle = slice(int(0.45 * len(pixels)), int(0.55 * len(pixels)))
    assert pixels[middle, middle].mean() < np.median(pixels) - 40
    assert "Found shadow in frame" in crop.get_attribute("aria-label")


FOCUSED = """() => {
  const at = document.activeElement;
  const name = at.id || at.textContent.trim();
  return [at === document.body, name, at.name || "", getComputedStyle(at).outlineStyle];
}"""


def test_the_keyboard_reaches_everything(opened):
    page = opened.page
    reached, groups = set(), set()
    for _ in range(80):
        page.keyboard.press("Tab")
        at_end, name, group, outline = page.evaluate(FOCUSED)
        if at_end:
            break
        reached.add(name)
        groups.add(group)
        assert outline != "none", name
    controls = "button, input:not([type=radio]), summary"
    wanted = page.eval_on_selector_all(controls, "all => all.map(e => e.id || e.textContent.trim())")
    assert set(wanted) <= reached
    assert {"ground", "f", "method"} <= groups
    before = page.locator("#score").inner_text()
    page.locator("#threshold").focus()
    page.keyboard.press("ArrowLeft")
    assert page.locator("#score").inner_text() != before
    page.locator("#pick-ground input").first.focus()
    page.keyboard.press("ArrowRight")
    page.locator("#status", has_text="scrub").wait_for(state="attached", timeout=30_000)


def test_nothing_sticks_out_on_a_phone(browser, result):
    phone = Opened(browser, result / "report.html", viewport={"width": 390, "height": 844}, color_scheme="dark")
    assert phone.page.evaluate("document.documentElement.scrollWidth") <= 390
    assert phone.page.evaluate("getComputedStyle(document.body).backgroundColor") != "rgb(252, 251, 248)"
    phone.context.close()


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_a_reader_who_cannot_see_or_point_is_not_shut_out(browser, result, width, scheme):
    """The rules of WCAG 2.2 AA and good practice that axe-core can check by machine, everything unfolded."""
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="the test extra has axe-playwright-python"
    )
    view = {"width": width, "height": 900}
    one = Opened(browser, result / "report.html", viewport=view, color_scheme=scheme, bypass_csp=True)
    one.page.locator("#interactive").wait_for()
    one.page.evaluate("for (const part of document.querySelectorAll('details')) part.open = true")
    found = axe.Axe().run(one.page, options={"resultTypes": ["violations"]}).response
    assert [rule["id"] for rule in found["violations"]] == []
    assert len(found["passes"]) > 30
    one.context.close()


def test_crops_are_shown_at_their_own_place_of_the_sheet(opened, result):
    """What a browser shows of a crop is the middle of that tile, cut out here of the sheet that was written down."""
    page = opened.page
    _pick(page, "ground", "sky")
    _pick(page, "f", "f/22")
    page.get_by_label("outlines").uncheck()
    page.locator("#threshold").fill("0")
    cells = json.loads((result / "crops.json").read_text(encoding="utf-8"))["cells"]
    (cell,) = (one for one in cells if (one["ground"], one["f_number"]) == ("sky", 22.0))
    sheet = Image.open(io.BytesIO(base64.b64decode(cell["plain"]))).convert("RGB")
    found = sorted(
        (crop["visibility"], number)
        for number, crop in enumerate(cell["crops"])
        if "visibility" in crop and "matched" in crop["scores"]
    )
    assert page.locator("#hits .crop").count() == len(found) >= 10
    for place in (0, len(found) - 1):
        left, top = TILE_PX * (found[place][1] % COLUMNS), TILE_PX * (found[place][1] // COLUMNS)
        tile = sheet.crop((left + 1.5, top + 1.5, left + TILE_PX - 1.5, top + TILE_PX - 1.5))
        shown = Image.open(io.BytesIO(page.locator("#hits .crop").nth(place).screenshot())).convert("RGB")
        wanted = np.asarray(tile.resize(shown.size, Image.Resampling.BILINEAR), dtype=float)
        apart = np.abs(np.asarray(shown, dtype=float) - wanted)
        assert apart[4:-4, 4:-4].mean() < 2  # the edge is rounded and lies between pixels


def test_time_and_memory_are_the_rankings(opened, result):
    with (result / "ranking.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["method"] == "matched"]
    times = sorted(float(row["cpu_s_per_megapixel"]) for row in rows)
    cells = opened.page.locator("table.cost tr", has_text="matched").locator("td").all_inner_texts()
    assert cells[0] == "–".join(dict.fromkeys(f"{value:.3f}" for value in (times[0], times[-1])))
    weights = [float(row["memory_mb"]) for row in rows if row["memory_mb"]]
    assert cells[2] == ("–".join(dict.fromkeys(f"{value:.0f}" for value in (min(weights), max(weights)))))


def test_whole_frames_say_what_one_can_count_in_them(opened, result):
    store = open_store(result)
    frames = {row.scene: row for row in store.frames()}
    rows = [row for row in store.results() if row.detector == "matched"]
    store.close()
    thresholds = json.loads((result / "threshold.json").read_text(encoding="utf-8"))["cells"]
    captions = opened.page.locator(".frames figcaption").all_inner_texts()
    assert len(captions) == 2
    for caption in captions:
        ground, f_number, found, visible, alarms = re.fullmatch(
            r"(\w+), f/(\d+): (\d+) of (\d+) visible shadows found, (no|\d+) false alarms?", caption
        ).groups()
        here = (ground, float(f_number))
        (limit,) = (cell["threshold"] for cell in thresholds if (cell["ground"], cell["f_number"]) == here)
        limit = np.inf if limit is None else float(limit)
        counts = set()
        for row in rows:
            frame = frames[row.scene]
            if (frame.ground, frame.f_number) == here:
                kinds = row.spots["kind"][row.spots["score"] > limit]
                counts.add((int((kinds == HIT).sum()), frame.counted, int((kinds == FALSE_ALARM).sum())))
        assert (int(found), int(visible), 0 if alarms == "no" else int(alarms)) in counts
    assert opened.page.eval_on_selector_all(".frames img", "all => all.every(one => one.naturalWidth === 900)")


def test_without_a_script_the_answer_stands(browser, result):
    plain = Opened(browser, result / "report.html", java_script_enabled=False)
    assert plain.page.locator("#answer .say").count() == 2
    assert plain.page.locator("table.board tbody tr").count() == 4
    assert not plain.page.locator("#interactive").is_visible()
    plain.context.close()


BAD = "<img src=x onerror=window.taken=1>"
BREAKOUT = "</script><script>window.taken=1</script>"

PLUGIN = f"""
from moteyard.detectors import SingleFrame, Spots

class Named(SingleFrame):
    name, version = {BAD!r}, "1"
    def detect_one(self, photograph):
        return Spots(x=[90.0], y=[90.0], diameter_px=[9.0], score=[1.0])

class Raising(SingleFrame):
    name, version = "raising", "1"
    def detect_one(self, photograph):
        raise RuntimeError({BREAKOUT!r})
"""


def _smaller(folder):
    """Write the tiny suite with two frames of sky at one aperture."""
    text = Path(TINY).read_text(encoding="utf-8").replace("frames = 4", "frames = 2").replace("[11, 22]", "[22]")
    suite = folder / "smaller.toml"
    suite.write_text(text.rpartition("[[ground]]")[0], encoding="utf-8")
    return suite


def test_hostile_names_stay_text(browser, tmp_path, monkeypatch):
    # Such a name is refused by `rank`; the page must hold even where that check is passed by.
    monkeypatch.setattr(run, "NAME", re.compile(".*"))
    plugin = tmp_path / f"{BAD}.py"
    plugin.write_text(PLUGIN, encoding="utf-8")
    folder = tmp_path / "pictures"
    folder.mkdir()
    with Image.open(PHOTOS / "pasture.jpg") as picture:
        exif = picture.getexif()
        exif[0x013B] = BREAKOUT
        picture.save(folder / f"{BAD}.jpg", exif=exif)
    (folder / "CREDITS.md").write_text(f"by {BREAKOUT}", encoding="utf-8")
    detectors = [word for name in ("Named", "Raising") for word in ("--detector", f"{plugin}:{name}")]
    out = tmp_path / "out"
    assert main(["rank", str(_smaller(tmp_path)), "--photos", str(folder), "--out", str(out), *detectors]) == 1
    one = Opened(browser, out / "report.html")
    text = one.page.locator("body").inner_text()
    assert text.count(BREAKOUT) >= 3
    assert BAD in one.page.locator("table.board th[scope=row]").all_inner_texts()
    assert f"{BAD}.jpg" in text
    assert one.page.evaluate("window.taken") is None
    assert one.page.locator("img[src=x]").count() == 0
    assert one.said == []
    one.context.close()
