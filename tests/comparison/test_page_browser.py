"""The comparison page in a real browser: sound, keys, accessibility, no request to anywhere."""

from __future__ import annotations

import importlib.util
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from chromium import ARGUMENTS, CHROMIUM, NEEDS_CHROMIUM
from compare_sketches import five_sketches
from compare_songs import home_early, lantern, lantern_page, tension_of

from retune.comparison.page import comparison_page
from retune.comparison.picture import View, lane_svg
from retune.comparison.statistics import verdict

pytestmark = [*NEEDS_CHROMIUM, pytest.mark.slow]
SONG = "comparison.songs[0]"


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> str:
    path: Path = tmp_path_factory.mktemp("page") / "page.html"
    path.write_text(comparison_page(lantern_page(n_phrases=4, seconds=15.0)), encoding="utf-8")
    return path.as_uri()


@pytest.fixture
def page(browser: Any, address: str) -> Iterator[Any]:
    """The page, opened from its file; leaving asserts no error and no request elsewhere."""
    context = browser.new_context(viewport={"width": 1280, "height": 900}, accept_downloads=True)
    page = context.new_page()
    trouble: list[str] = []
    page.on("console", lambda m: trouble.append(m.text) if m.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: trouble.append(str(error)))
    page.on(
        "request",
        lambda r: (
            trouble.append(r.url) if not r.url.startswith(("file:", "data:", "blob:")) else None
        ),
    )
    page.goto(address)
    yield page
    assert trouble == []
    context.close()


def test_a_switch_is_a_crossfade_at_the_same_instant(page: Any) -> None:
    """Rendered offline: the original sample for sample before the switch, the variant after it,
    and in between a straight crossfade of 10 ms."""
    far = page.evaluate(
        f"""async () => {{
          const player = Object.create({SONG}.player);
          const load = async () => Promise.all(player.sound.map((piece) => piece.load()));
          const [[a], [b]] = await load();
          const rate = player.rateHz, n = rate, s = Math.round(rate / 2 / 128) * 128;
          const ctx = new OfflineAudioContext(2, n, rate);
          Object.assign(player, {{ volumeDb: 0, asks: new Map(), decoded: null, loop: null }});
          await player.build(ctx);
          player.tell({{ do: "play", at: 0 }});
          await player.settled();
          ctx.suspend(s / rate).then(async () => {{
            player.tell({{ do: "choose", name: player.versions[1] }});
            await player.settled();
            ctx.resume();
          }});
          const out = (await ctx.startRendering()).getChannelData(0);
          let before = 0, after = 0, between = 0;
          const f = Math.round(0.01 * rate), gate = Math.round(0.006 * rate);
          for (let i = gate; i < n; i += 1) {{
            const u = Math.min(Math.max((i - s) / f, 0), 1);
            const far = Math.abs(out[i] - ((1 - u) * a[i] + u * b[i]));
            if (i < s) before = Math.max(before, Math.abs(out[i] - a[i]));
            else if (i >= s + f) after = Math.max(after, Math.abs(out[i] - b[i]));
            else between = Math.max(between, far);
          }}
          return {{ before, after, between, rate, apart: Math.abs(a[s] - b[s]) }};
        }}"""
    )
    assert far["before"] == 0
    assert far["after"] == 0
    assert far["between"] < 1e-4
    assert far["rate"] == 48_000


def strongest_hz(page: Any) -> float:
    """The strongest frequency that sounds now."""
    return float(
        page.evaluate(
            f"""() => {{
              const meter = {SONG}.player.analyser;
              const bins = new Float32Array(meter.frequencyBinCount);
              meter.getFloatFrequencyData(bins);
              return bins.indexOf(Math.max(...bins)) * {SONG}.player.ctx.sampleRate / meter.fftSize;
            }}"""
        )
    )


def test_keys_choose_what_sounds(page: Any) -> None:
    page.keyboard.press("p")
    page.wait_for_timeout(900)
    for key, hz in (("o", 300), ("v", 400), ("m", 500), ("x", 400)):
        page.keyboard.press(key)
        page.wait_for_timeout(400)
        assert strongest_hz(page) == pytest.approx(hz, abs=25), key
    assert page.locator("input[name=sounds-0]:checked").get_attribute("value") == "1"
    first = page.evaluate(f"{SONG}.player.now()")
    page.wait_for_timeout(300)
    assert page.evaluate(f"{SONG}.player.now()") > first
    page.keyboard.press("p")
    assert not page.evaluate(f"{SONG}.player.playing")


def test_it_begins_quietly_and_draws_the_reading_line(page: Any) -> None:
    assert page.evaluate(f"{SONG}.player.volumeGain()") <= 0.2
    page.keyboard.press("p")
    page.locator(".pic svg.desk .play").wait_for(state="attached")
    assert page.locator("[data-do=play]").inner_text() == "Pause"


def test_letters_do_not_act_in_text_fields_or_when_turned_off(page: Any) -> None:
    page.locator("[data-blind=listener]").fill("")
    page.locator("[data-blind=listener]").press("v")
    assert page.evaluate(f"{SONG}.player.chosen") == "original"
    page.locator("#letters").uncheck()
    page.locator("#letters").press("v")
    assert page.evaluate(f"{SONG}.player.chosen") == "original"
    page.locator("#letters").check()
    page.locator("#letters").press("v")
    assert page.evaluate(f"{SONG}.player.chosen") == "home-early"


def test_a_phrase_loops(page: Any) -> None:
    page.locator("[data-do=span]").select_option("2")
    page.locator("[data-do=loop]").check()
    span = page.evaluate(f"{SONG}.player.loop")
    page.evaluate(f"{SONG}.player.seek({span[1]} - 0.4)")
    page.locator("h1").click()
    page.keyboard.press("p")
    until = time.monotonic() + 10
    while not span[0] <= (at := page.evaluate(f"{SONG}.player.now()")) < span[0] + 1.6:
        assert time.monotonic() < until, (at, span)
        page.wait_for_timeout(50)
    assert page.evaluate(f"{SONG}.player.playing")


def test_notes_endings_and_phrases_by_key(page: Any) -> None:
    page.keyboard.press("e")
    here = page.locator(".here")
    assert "phrase 1 ends here: partly at rest" in here.inner_text()
    page.keyboard.press("e")
    assert "the variant moves it to B♭4 (degree 1): at rest" in here.inner_text()
    assert page.locator(".crop").count() == 1
    page.keyboard.press(",")
    assert "A4, degree 7" in here.inner_text()
    page.keyboard.press("]")
    assert page.locator("[data-do=span]").input_value() == "2"
    page.keyboard.press("?")
    assert page.locator("#help").get_attribute("open") is not None
    page.keyboard.press("F6")
    assert page.evaluate("document.activeElement.tagName") == "H2"


def test_a_blind_test_from_start_to_file(page: Any, tmp_path: Path) -> None:
    from retune.comparison.tally import tally

    page.evaluate(
        f"""() => {{
          const {{ facts }} = {SONG}, soon = globalThis.setTimeout;
          for (const name in facts.passages) facts.passages[name] = [0, 0.05];
          globalThis.setTimeout = (act, ms) => soon(act, Math.min(ms, 60));
        }}"""
    )
    page.locator("[data-blind=listener]").fill("Ana, row 2")
    page.locator("[data-blind=sheet]").select_option("2")
    page.locator("[data-blind=start]").click()
    assert not page.locator(".pic").first.is_visible()
    assert not page.locator(".versions").first.is_visible()
    assert "Practice" in page.locator(".trial").inner_text()
    for trial in page.evaluate(f"{SONG}.test.design.trials"):
        assert not page.locator("[data-answer=first]").is_visible()
        page.get_by_role("button", name="Play both").click()
        page.locator("[data-answer=first]").wait_for()
        variant_first = trial["first"] == "home-early"
        page.keyboard.press("1" if variant_first or trial["kind"] == "identical" else "2")
    words = page.locator("[data-blind=ask]").inner_text()
    assert verdict(6, 6, version="home-early").replace('"home-early"', "“home-early”") in words
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Keep the answers").click()
    path = tmp_path / "answers.csv"
    waiting.value.save_as(path)
    counted = tally([path])
    assert counted.pairs[0].listeners["Ana, row 2"].k == 6
    assert counted.identical == (2, 2)
    page.get_by_role("button", name="Back to the picture").click()
    assert page.locator(".pic").first.is_visible()


def test_a_side_that_was_cut_or_silent_is_not_asked_about(page: Any) -> None:
    page.locator("[data-blind=start]").click()
    page.get_by_role("button", name="Play both").click()
    page.wait_for_timeout(600)
    page.keyboard.press("p")
    page.evaluate(f"{SONG}.player.pause()")
    page.get_by_text("It was cut short").wait_for()
    assert not page.locator("[data-answer=first]").is_visible()
    page.evaluate("void (AudioContext.prototype.resume = () => Promise.reject(new Error('off')))")
    page.get_by_role("button", name="Play both").click()
    page.get_by_text("Nothing was heard").wait_for()
    assert "No sound output answers" in page.locator(".trial [role=alert]").inner_text()
    assert not page.locator("[data-answer=first]").is_visible()
    page.get_by_role("button", name="Leave the test").click()
    assert page.locator(".pic").first.is_visible()


@pytest.mark.parametrize("width", [360, 768, 1280, 2560, 3840])
def test_nothing_is_wider_than_the_page_and_one_drawing_shows(page: Any, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 900})
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    shown = page.locator(".pic svg").evaluate_all(
        "all => all.filter(s => s.getClientRects().length).map(s => s.getAttribute('class'))"
    )
    assert len([kind for kind in shown if "ladder" not in kind]) == 1
    small = page.locator(f".pic svg.{shown[0]} text").evaluate_all(
        "all => Math.min(...all.map(t => parseFloat(getComputedStyle(t).fontSize)"
        " * t.ownerSVGElement.clientWidth / t.ownerSVGElement.viewBox.baseVal.width))"
    )
    assert small >= 10.5


def no_fault_of_access(page: Any) -> bool:
    """Whether axe finds nothing; the test fails with what it found."""
    found = importlib.util.find_spec("axe_core_python")
    if found is None or not found.submodule_search_locations:
        pytest.skip("the package axe-core-python is missing")
    page.evaluate((Path(found.submodule_search_locations[0]) / "axe.min.js").read_text("utf-8"))
    result = page.evaluate("axe.run()")
    assert [(v["id"], [n["html"][:120] for n in v["nodes"]]) for v in result["violations"]] == []
    return True


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_fault_of_accessibility_is_found(page: Any, scheme: str) -> None:
    page.emulate_media(color_scheme=scheme)
    assert no_fault_of_access(page)


def test_the_view_for_a_hall_shows_one_phrase_and_names_what_sounds(page: Any) -> None:
    page.keyboard.press("s")
    stage = page.locator(".stage")
    assert stage.locator(".sounds").inner_text() == "Original"
    assert not page.locator("header.top").is_visible()
    assert stage.locator(".drawn svg:visible").count() == 1
    assert stage.locator(".told").inner_text() == "Phrase 2: 2 over I, open"
    page.keyboard.press("2")
    assert stage.locator(".told").inner_text() == "Phrase 2: 2 → 1 over I, at rest"
    assert stage.locator(".drawn svg:visible .new").count() > 0
    page.keyboard.press("PageDown")
    assert stage.locator(".sounds").inner_text() == "Matched control"
    page.keyboard.press("PageUp")
    page.keyboard.press("]")
    assert stage.locator(".told").inner_text().startswith("Phrase 3: ")
    page.keyboard.press("d")
    assert page.evaluate("document.documentElement.dataset.theme") == "dark"
    least = stage.locator(".drawn svg:visible text").evaluate_all(
        "all => Math.min(...all.map(t => parseFloat(getComputedStyle(t).fontSize)"
        " * t.getScreenCTM().a)) / innerHeight"
    )
    assert least > 1 / 36  # a screen of 1280 by 900 is not as wide as a slide
    assert no_fault_of_access(page)
    page.keyboard.press("Escape")
    assert page.locator("header.top").is_visible()


def test_a_phone_opens_on_the_first_phrase_that_changes(browser: Any, address: str) -> None:
    page = browser.new_page(viewport={"width": 390, "height": 844})
    page.goto(address)
    page.wait_for_timeout(300)
    svg = page.locator(".pic svg.phone:not(.ladder):visible")
    box = svg.bounding_box()
    assert box["y"] + box["height"] < 844
    new = svg.locator(".new").first.bounding_box()
    assert box["y"] < new["y"] < box["y"] + box["height"]
    page.close()


def test_picture_and_ladder_are_drawn_once_at_every_width(browser: Any, address: str) -> None:
    page = browser.new_page()
    page.goto(address)
    for width in (390, 900, 1280, 1920, 3000):
        page.set_viewport_size({"width": width, "height": 900})
        page.wait_for_timeout(100)
        assert page.locator("figure[data-picture] .pic svg:visible").count() == 1, width
        assert page.locator("figure[data-ladder] .pic svg:visible").count() == 1, width
    page.close()


def test_no_words_of_a_picture_run_into_each_other(browser: Any) -> None:
    """Measured with the face that is drawn, in all widths of the page and a slide."""
    analysis = lantern()
    plan = home_early(analysis)
    pictures = [
        lane_svg(analysis, plan, View(width=width, font=font, systems=systems, tension=curve))
        for width, font, systems in ((340, 14, None), (860, 16, None), (1240, 16, 1), (1920, 29, 1))
        for curve in ((), tension_of(analysis, plan))
    ]
    pictures += [lane_svg(song, view=View(width=860, font=16)) for song in five_sketches().values()]
    page = browser.new_page()
    for picture in pictures:
        page.set_content(picture)
        page.evaluate("document.fonts.ready")
        assert page.evaluate(CROWDED) == []
    page.close()


# Boxes of text, pulled in to the height of the capitals; pairs that still meet.
CROWDED = """() => {
  const svg = document.querySelector("svg"), paper = svg.getBoundingClientRect();
  const boxes = [...svg.querySelectorAll("text")].filter((t) => t.textContent).map((t) => {
    const b = t.getBoundingClientRect();
    const u = b.top + b.height * 0.3, d = b.bottom - b.height * 0.3;
    return { t: t.textContent, l: b.left + 0.5, r: b.right - 0.5, u, d };
  });
  const bad = boxes.filter((b) => b.l < paper.left - 1 || b.r > paper.right + 1).map((b) => b.t);
  boxes.forEach((a, i) => boxes.slice(i + 1).forEach((b) => {
    if (a.l < b.r && b.l < a.r && a.u < b.d && b.u < a.d) bad.push(`${a.t} / ${b.t}`);
  }));
  return bad;
}"""


def test_an_output_that_never_begins_is_told(page: Any) -> None:
    """As where there is no sound device and the browser waits for one without end."""
    page.evaluate("void (AudioContext.prototype.resume = () => new Promise(() => {}))")
    page.locator("[data-do=play]").click()
    page.locator(".fault").wait_for(timeout=10_000)
    assert "No sound output answers" in page.locator(".fault").inner_text()


def test_sound_that_cannot_be_decoded_is_told(page: Any) -> None:
    page.add_init_script(
        "OfflineAudioContext.prototype.decodeAudioData = () => Promise.reject(new Error())"
    )
    page.reload()
    page.locator("[data-do=play]").click()
    page.locator(".fault").wait_for(timeout=10_000)
    assert "cannot decode" in page.locator(".fault").inner_text()
    assert page.locator("[data-do=play]").is_enabled()
