"""Key and bars put right by ear in the workbench: rivals, a click, taps; in a real browser."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest
from web_client import demo_copy
from workbench_browser import NEEDS_BROWSER, play, wait_until

from retune.song.songfile import read_song

pytestmark = NEEDS_BROWSER
SHOTS = os.environ.get("RETUNE_SHOTS", "")
TOLD = (
    "key =",
    "meter =",
    "tempo_bpm =",
    "first_downbeat_s =",
    "chords =",
    "phrases =",
    "sections",
)


@pytest.fixture
def song(tmp_path: Path) -> Path:
    """The demo song with nothing told of its key, bars and chords, for which truth is known."""
    path = demo_copy(tmp_path / "song")
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    path.write_text("".join(t for t in lines if not t.startswith(TOLD)), encoding="utf-8")
    return path


def bars(page: Any) -> dict[str, Any]:
    found: dict[str, Any] = page.evaluate("workbench.state.song.bars")
    return found


def test_what_was_heard_is_offered_with_its_rivals_one_press_each(page: Any, song: Path) -> None:
    facts = page.locator("#facts").inner_text()
    assert "estimated" in facts
    assert "of 10" in facts
    before = song.read_bytes()
    heard = bars(page)
    page.locator("#by-ear-rows").wait_for()
    if SHOTS:
        page.screenshot(path=f"{SHOTS}/byear.png")
    page.locator("#bars-by-ear").get_by_role("button", name="twice as fast").click()
    page.get_by_text("The bars: twice as fast").wait_for()
    music = read_song(song).music
    assert music.downbeats_s is not None
    assert bars(page)["source"] == "given"
    assert bars(page)["tempo_bpm"] == pytest.approx(2 * heard["tempo_bpm"], rel=0.03)
    assert page.locator("#bars-by-ear").count() == 0
    page.locator("#undo").click()
    page.locator("#bars-by-ear").wait_for()
    assert song.read_bytes() == before
    page.locator("#key-by-ear").get_by_role("button", name="relative").click()
    page.get_by_text("The key is").wait_for()
    assert read_song(song).music.key == "G minor"
    assert "estimated" not in page.locator("#facts div").first.inner_text()


def test_the_click_lies_on_the_beats_of_what_sounds(page: Any, song: Path) -> None:
    page.get_by_text("hear a click on the beats").click()
    play(page)
    wait_until(page, "workbench.clicker.struck.length >= 4")
    rows = page.evaluate(
        """async () => {
          const { beatsOf } = await import("/assets/beats.js");
          const beats = beatsOf(workbench.state.song.bars).map((beat) => beat.at_s);
          const { player, clicker } = workbench;
          return clicker.struck.map(({ when, at_s }) => ({
            beat: Math.min(...beats.map((t) => Math.abs(t - at_s))),
            off: Math.abs(player.position + (when - player.stamp) - at_s),
          }));
        }"""
    )
    assert max(row["beat"] for row in rows) < 1e-6
    assert max(row["off"] for row in rows) < 0.01
    page.locator("#play").click()
    wait_until(page, "!workbench.player.playing")
    page.wait_for_timeout(100)
    struck = page.evaluate("workbench.clicker.struck.length")
    page.wait_for_timeout(700)
    assert page.evaluate("workbench.clicker.struck.length") == struck


def test_a_click_begins_when_it_is_told_to(page: Any, song: Path) -> None:
    begins, rings = page.evaluate(
        """async () => {
          const { strike } = await import("/assets/clicks.js");
          const ctx = new OfflineAudioContext(1, 48000, 48000);
          strike(ctx, ctx.destination, 0.5, true);
          const sound = (await ctx.startRendering()).getChannelData(0);
          const loud = [...sound.keys()].filter((k) => Math.abs(sound[k]) > 0.05);
          return [loud[0] / 48000, loud[loud.length - 1] / 48000];
        }"""
    )
    assert begins == pytest.approx(0.5, abs=0.001)
    assert 0.505 < rings < 0.55


def test_taps_on_the_space_bar_give_tempo_and_downbeat(page: Any, song: Path) -> None:
    page.locator("#taps").scroll_into_view_if_needed()
    page.evaluate(  # taps as of a listener who is exact: the truth of the song is 92 a minute
        """async () => {
          const { player } = workbench;
          let now = 0;
          player.playing = true;
          player.now = () => now;
          for (let k = 0; k < 6; k += 1) {
            now = 1.3 + k * 60 / 92;
            document.body.dispatchEvent(new KeyboardEvent("keydown", { key: " ", bubbles: true }));
          }
          delete player.now;
          player.playing = false;
        }"""
    )
    page.locator("#tapped").get_by_text("92 a minute").wait_for()
    page.get_by_role("button", name="Use this").click()
    page.get_by_text("Bars as tapped").wait_for()
    found = bars(page)
    assert found["source"] == "given"
    assert found["tempo_bpm"] == pytest.approx(92, rel=0.02)
    assert min(abs(t - 1.3) for t in found["downbeats_s"]) < 0.05


def test_the_space_bar_taps_while_it_plays_and_does_not_stop_it(page: Any, song: Path) -> None:
    play(page)  # by a click: the button has the focus, and the space bar would press it
    for _ in range(2):
        page.keyboard.press(" ")
        page.wait_for_timeout(300)
    page.get_by_text("2 of 4").wait_for()
    assert page.evaluate("workbench.player.playing")
