"""Listening in a real browser: what sounds is what was rendered; loops, stems, blind tests."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from web_client import RULE
from workbench_browser import NEEDS_BROWSER, faults, opened, page_at, play, wait_until

from retune import pipeline
from retune.pipeline.mix_levels import mix_of
from retune.pipeline.renditions import render_plan

pytestmark = NEEDS_BROWSER


# To spare time, of each phrase only its beginning is played.
BRIEFLY = """() => {
  const { player } = workbench, whole = player.playSpan.bind(player);
  player.playSpan = ([a]) => whole([a, a + 0.05]);
}"""


def test_nothing_plays_unasked_and_it_begins_quietly(page: Any) -> None:
    page.wait_for_timeout(500)
    assert page.evaluate("workbench.player.ctx") is None
    assert page.evaluate("workbench.player.volumeDb") <= -20


def test_the_view_for_a_hall_shows_one_phrase_and_what_sounds(page: Any) -> None:
    """As on the comparison page: one key a version, nothing else acts on what is not seen."""
    wait_until(page, "workbench.player.keys.variant.length === 2")
    page.keyboard.press("s")
    large = page.locator("#large")
    large.locator(".drawn svg:visible").wait_for()
    assert large.locator(".sounds").inner_text() == "Original"
    assert large.locator(".told").inner_text() == "Phrase 2: 2 over I, open"
    assert not page.locator("#bench").is_visible()
    page.keyboard.press("PageDown")
    assert large.locator(".sounds").inner_text() == "Variant home-early"
    assert large.locator(".told").inner_text() == "Phrase 2: 2 → 1 over I, at rest"
    assert large.locator(".drawn svg:visible .new").count() > 0
    page.keyboard.press("3")
    assert large.locator(".sounds").inner_text() == "Matched control"
    assert large.locator(".drawn svg:visible .new").count() == 0
    page.keyboard.press("]")
    wait_until(page, "document.querySelector('.told').textContent.startsWith('Phrase 3: ')")
    before = page.evaluate("JSON.stringify(workbench.state.drafts.get('home-early').rules)")
    page.keyboard.press("Backspace")
    page.keyboard.press("d")
    assert page.evaluate("document.documentElement.dataset.theme") == "dark"
    assert faults(page) == []
    page.keyboard.press("Escape")
    assert page.locator("#bench").is_visible()
    assert page.evaluate("JSON.stringify(workbench.state.drafts.get('home-early').rules)") == before


def test_an_output_that_never_begins_is_told(page: Any) -> None:
    """As where there is no sound device and the browser waits for one without end."""
    page.evaluate("void (AudioContext.prototype.resume = () => new Promise(() => {}))")
    page.locator("#play").click()
    wait_until(page, "document.querySelector('#sound-state').innerText.includes('sound output')")
    assert page.evaluate("workbench.player.playing") is False


def test_a_switch_is_a_crossfade_and_a_patch_is_exact(page: Any, bench: tuple[str, Any]) -> None:
    """The mixer itself, rendered offline: before the switch the original, after it the variant
    as rendering gives it, within the browser's own rounding of 16-bit files (1 part in 2^15)."""
    _, desk = bench
    page.locator("#rules textarea").first.wait_for()
    wait_until(page, "workbench.player.keys.variant.length === 2")
    plan = desk.plan([RULE])
    patch = pipeline.render(desk.handle, plan=plan).stems["vocal"].patches[0]
    rate = desk.opened.rate_hz
    middle = (patch.start + patch.stop) // 2
    start = middle - rate // 4
    heard = page.evaluate(
        """async ([start, n, rate]) => {
          const ctx = new OfflineAudioContext(2, n, rate);
          const copy = Object.create(workbench.player);
          copy.chosen = "original";
          const even = { matched: 0, plain: 0, short: 0 };
          copy.gainsDb = new Map(copy.versions.map((name) => [name, even]));
          copy.asks = new Map(); copy.decoded = null; copy.volumeDb = 0; copy.loop = null;
          await copy.build(ctx);
          copy.node.port.postMessage({ do: "play", at: start });
          await copy.settled();
          ctx.suspend((n / 2) / rate).then(async () => {
            copy.node.port.postMessage({ do: "choose", name: "variant" });
            await new Promise((done) => setTimeout(done, 200));
            ctx.resume();
          });
          const out = await ctx.startRendering();
          return Array.from(out.getChannelData(0));
        }""",
        [start, rate // 2, rate],
    )
    opened_ = desk.opened

    n = rate // 2
    original = mix_of(opened_).read(start, start + n)[:, 0]
    variant = mix_of(opened_, render_plan(opened_, plan)).read(start, start + n)[:, 0]

    out = np.array(heard)
    half, fade = n // 2, round(0.012 * rate) + 128
    gate = round(0.006 * rate)
    assert np.abs(original - variant)[half + fade :].max() > 0.02
    assert np.abs(out - original)[gate : half - 128].max() < 1e-4
    assert np.abs(out - variant)[half + fade :].max() < 1e-4
    between = out[half - 128 : half + fade]
    low = np.minimum(original, variant)[half - 128 : half + fade]
    high = np.maximum(original, variant)[half - 128 : half + fade]
    assert (between >= low - 1e-4).all()
    assert (between <= high + 1e-4).all()


def test_a_phrase_loops(page: Any) -> None:
    page.locator("#pic").focus()
    page.keyboard.press("]")
    page.locator("#loop").check()
    play(page)
    a, b = page.evaluate("workbench.player.loop")
    page.evaluate(f"workbench.player.seek({b} - 0.4)")
    page.wait_for_timeout(1500)
    assert a <= page.evaluate("workbench.player.now()") < a + 2


def test_one_stem_alone(page: Any) -> None:
    page.locator("#stems-heard summary").click()
    page.get_by_role("button", name="alone").nth(1).click()
    play(page)
    assert page.evaluate("workbench.player.solo") == [False, True, False, False]


def test_blind_listening_hides_and_counts(page: Any) -> None:
    page.locator("#go-blind").click()
    page.locator("#n-pairs").fill("2")
    for hidden in ("#pic", "#rules", "#changes", "#versions"):
        assert not page.locator(hidden).is_visible()
    page.get_by_role("button", name="Begin").click()
    page.get_by_role("button", name="Play both").wait_for()
    assert "home-early" not in page.locator("body").inner_text()
    assert page.locator("#match").is_checked()
    trials = page.locator("#blind .trial").inner_text()
    assert trials.startswith("Practice")
    page.evaluate(BRIEFLY)
    for _ in range(5):
        page.get_by_role("button", name="Play both").click()
        page.get_by_role("button", name="The first").click(timeout=20_000)
    page.get_by_role("heading", name="Results").wait_for()
    assert "too few to tell" in page.locator("#blind").inner_text()
    with page.expect_download() as download:
        page.get_by_role("button", name="Keep the answers").click()
    rows = Path(download.value.path()).read_text(encoding="utf-8").splitlines()
    assert rows[0] == "listener,sheet,trial,kind,passage,first,second,answer"
    assert len(rows) == 6
    page.get_by_role("button", name="Back to the picture").click()
    assert page.locator("#pic").is_visible()


def test_two_variants_side_by_side(page: Any) -> None:
    play(page)
    page.locator("#other").select_option("mirror")
    page.locator("#versions").get_by_text("Another variant mirror").click()
    wait_until(page, "workbench.player.sounding === 'other'")
    wait_until(page, "workbench.player.keys.other.length === 2")
    page.locator("#versions").get_by_text("Variant home-early").click()
    page.locator("#exchange").click()
    wait_until(page, "workbench.player.sounding === 'other'")


def test_bars_loop(page: Any) -> None:
    page.locator("#loop-bars").fill("5-6")
    page.locator("#loop").check()
    assert "oop bars 5-6" in page.locator("#loop-label").inner_text()
    edges = page.evaluate("workbench.state.song.bars.downbeats_s")
    loop = page.evaluate("workbench.player.loop")
    assert loop == pytest.approx([edges[4], edges[6]], abs=1e-4)


def test_naming_x(page: Any) -> None:
    page.locator("#go-blind").click()
    page.locator("#who").select_option("abx")
    page.locator("#n-pairs").fill("6")
    page.get_by_role("button", name="Begin").click()
    page.evaluate(BRIEFLY)
    for _ in range(7):
        assert page.get_by_role("button", name="X is B").is_disabled()
        for side in "XA":
            page.get_by_role("button", name=f"Hear {side}").click()
            page.get_by_text(f"That was {side}.").wait_for()
        page.get_by_role("button", name="X is B").click()
    page.get_by_role("heading", name="Results").wait_for()
    # X is B in half of the trials: the design is balanced.
    assert "chosen in 3 of 6 trials" in page.locator("#blind").inner_text()


def test_a_chosen_note_is_played_from_the_start_of_its_phrase(page: Any) -> None:
    assert page.locator("#play").inner_text() == "Play from the start"
    page.locator("#changes tbody tr").nth(1).get_by_role("button").click()
    phrase = page.evaluate("workbench.state.song.stems.vocal.phrases[3]")
    assert page.evaluate("workbench.state.place") == pytest.approx(phrase["start_s"], abs=0.06)
    assert "oop phrase 4" in page.locator("#loop-label").inner_text()
    play(page)
    assert phrase["start_s"] - 0.1 < page.evaluate("workbench.player.now()") < phrase["end_s"]


def test_a_report_from_before_a_jump_is_not_believed(page: Any) -> None:
    """The mixer goes on reporting the old place until the jump has reached it."""
    play(page)
    found = page.evaluate(
        """() => {
          const { player } = workbench;
          const old = { playing: true, peak: 0, time: player.ctx.currentTime, name: "original" };
          player.seek(20);
          player.heard({ ...old, at: 0, jump: player.jump - 1 });
          player.heard({ ended: true, jump: player.jump - 1 });
          return [player.now(), player.playing];
        }"""
    )
    assert found == [pytest.approx(20, abs=0.5), True]
    wait_until(page, "workbench.player.position > 20.05")


def test_ratings_one_at_a_time(page: Any) -> None:
    page.locator("#go-blind").click()
    page.locator("#who").select_option("rating")
    page.locator("#n-pairs").fill("4")
    page.get_by_role("button", name="Begin").click()
    page.get_by_role("button", name="Play it").wait_for()
    page.evaluate(BRIEFLY)
    for number in range(5):  # one for practice, each version twice
        page.get_by_role("button", name="Play it").click()
        page.get_by_role("button", name=str(number + 1), exact=True).click(timeout=20_000)
    page.get_by_role("heading", name="Results").wait_for()
    words = page.locator("#blind").inner_text()
    assert "matched-control: rated" in words
    assert "home-early: rated" in words


PLACES = """() => new Promise((done) => {
  const line = document.querySelector("#reading");
  const seen = new Set();
  const began = performance.now();
  const look = () => {
    seen.add(line.style.transform);
    if (performance.now() - began > 1500) done(seen.size);
    else requestAnimationFrame(look);
  };
  requestAnimationFrame(look);
})"""


@pytest.mark.parametrize("motion", ["reduce", "no-preference"])
def test_the_reading_line_keeps_calm_for_those_who_ask(
    browser: Any, bench: tuple[str, Any], motion: str
) -> None:
    with page_at(browser, bench[0], reduced_motion=motion) as page:
        opened(page)
        play(page)
        places = page.evaluate(PLACES)
    assert places <= 5 if motion == "reduce" else places > 15, places
