"""A finished mix in a real browser: notes put in, notes in doubt, a verdict with every edit."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from workbench_browser import NEEDS_BROWSER, opened, page_at, wait_until

from retune.carriers.changes import Verdict
from retune.faces.web import api_song
from retune.pipeline.facts import verdict_facts
from retune.song.songfile import read_song

pytestmark = NEEDS_BROWSER
RATE_HZ = 22_050
LINE = (62, 64, 65, 67, 65, 64, 62, 60)
"""MIDI numbers of the melody, 0.6 s each from 0.3 s on; the sixth is left out of the guide, and the
last is sung far under the drone."""
LEFT_OUT = 5
LEVELS = (*[0.15] * 7, 0.01)
RULES = ("move last note of phrase last to degree 2", "move every degree 5 to degree 6")


def begins_s(place: int) -> float:
    return 0.3 + 0.6 * place


def tone(midi: float, time_s: np.ndarray) -> np.ndarray:
    """Eight harmonics."""
    phase = 2 * np.pi * 440 * 2 ** ((midi - 69) / 12) * time_s
    return np.asarray(sum(np.cos(k * phase) / k**1.3 for k in range(1, 9)))


def write_mix(folder: Path) -> Path:
    """A line in the middle over a drone at the sides, with a guide that lacks one note; returns
    the song file."""
    folder.mkdir(parents=True, exist_ok=True)
    time_s = np.arange(int(0.5 * RATE_HZ)) / RATE_HZ
    fade = np.clip(np.minimum(time_s / 0.03, (0.5 - time_s) / 0.05), 0, 1)
    whole_s = np.arange(int(5.6 * RATE_HZ)) / RATE_HZ
    drone = 0.03 * (tone(48, whole_s) + tone(55, whole_s))
    mix = np.stack([drone, -0.8 * drone], axis=1)
    for place, midi in enumerate(LINE):
        first = int(begins_s(place) * RATE_HZ)
        mix[first : first + len(fade)] += (LEVELS[place] * fade * tone(midi, time_s))[:, None]
    soundfile.write(folder / "mix.wav", mix, RATE_HZ, "PCM_24")
    told = [(begins_s(k), begins_s(k) + 0.5, m) for k, m in enumerate(LINE) if k != LEFT_OUT]
    lines = "\n".join(f"{a:.2f},{b:.2f},{midi}" for a, b, midi in told)
    (folder / "line.csv").write_text(f"start_s,end_s,pitch\n{lines}\n", encoding="utf-8")
    path = folder / "song.toml"
    path.write_text(
        'format = 1\n[stems.all]\nfile = "mix.wav"\nrole = "mix"\n'
        '[music]\nkey = "C major"\nguide = "line.csv"\n'
        f"[variants.open]\nrules = {list(RULES)}\n",
        encoding="utf-8",
    )
    return path


@pytest.fixture
def song(tmp_path: Path) -> Path:
    return write_mix(tmp_path / "song")


@pytest.fixture
def page(browser: Any, bench: tuple[str, Any]) -> Iterator[Any]:
    """The workbench with the corrections open."""
    with page_at(browser, bench[0], width=1366, height=768) as page:
        opened(page)
        page.locator("#correct-toggle").click()
        yield page


def names(page: Any) -> list[str]:
    return list(page.evaluate("workbench.state.song.stems.all.notes.map((n) => n.name)"))


def test_a_note_that_was_not_heard_is_put_in_and_taken_out(page: Any, song: Path) -> None:
    before = names(page)
    assert before == ["D4", "E4", "F4", "G4", "F4", "D4", "C4"]
    page.get_by_label("pitch", exact=True).last.fill("E4")
    page.get_by_label("start", exact=True).last.fill("3.3")
    page.get_by_label("end", exact=True).last.fill("3,8")
    page.get_by_role("button", name="Add a note").click()
    wait_until(page, "workbench.state.song.corrections.length === 1")
    (correction,) = read_song(song).corrections
    assert (correction.set, correction.at_s) == ("add E4 to 3.8", pytest.approx(3.3))
    assert names(page) == [*before[:5], "E4", *before[5:]]
    page.locator('#drawing .note[data-note="8"]').wait_for(state="attached")
    wait_until(page, "workbench.state.plan.asked.length === 2")
    page.wait_for_timeout(300)
    assert page.locator("#status").inner_text() == "Added E4. Undo takes it back."
    page.locator("#undo").click()
    wait_until(page, "workbench.state.song.corrections.length === 0")
    assert names(page) == before


@pytest.mark.parametrize("by_key", [False, True])
def test_the_times_of_a_note_are_tapped_while_it_sounds(page: Any, by_key: bool) -> None:
    tap = page.get_by_role("button", name="Hold while it sounds")
    tap.click()
    assert "Play first" in page.locator("#status").inner_text()
    page.locator("#correct-toggle").focus()
    page.keyboard.press("p")
    wait_until(page, "workbench.player.playing && workbench.player.position > 0.1")
    tap.focus()
    tap.hover()
    page.keyboard.down(" ") if by_key else page.mouse.down()
    page.wait_for_timeout(400)
    page.keyboard.up(" ") if by_key else page.mouse.up()
    start_s, end_s = (
        float(page.locator(f"#add-{word}").input_value()) for word in ("start", "end")
    )
    assert start_s > 0.1
    assert 0.3 < end_s - start_s < 1.5
    assert page.evaluate("document.activeElement.id") == "add-pitch"


@pytest.mark.parametrize(("pitch", "end"), [("", "3.8"), ("E4", "3.2"), ("E4", "soon")])
def test_half_a_note_is_refused_with_what_is_missing(
    page: Any, song: Path, pitch: str, end: str
) -> None:
    text = song.read_bytes()
    page.locator("#add-pitch").fill(pitch)
    page.locator("#add-start").fill("3.3")
    page.locator("#add-end").fill(end)
    page.get_by_role("button", name="Add a note").click()
    page.locator("#status", has_text="needs a pitch such as F4, a start, and a later end").wait_for(
        state="attached"
    )
    assert song.read_bytes() == text


def test_a_note_in_doubt_is_asked_about_and_stays_as_heard(page: Any, song: Path) -> None:
    text = song.read_bytes()
    # Steady tones are nobody's voice, so every note of this line is in doubt.
    asked = page.locator("#correct details", has_text="7 notes in doubt")
    if asked.get_attribute("open") is None:
        asked.locator("summary").click()
    line = asked.locator("li", has_text="C4")
    assert asked.locator("li").count() == 7
    assert "C4: " in line.inner_text()
    line.get_by_role("button", name="hear").click()
    page.locator("#here", has_text="In doubt: ").wait_for()
    page.locator("#changes", has_text="In doubt: ").first.wait_for()
    assert song.read_bytes() == text
    line.get_by_role("button", name="keep: it is C4").click()
    page.locator("#correct details", has_text="6 notes in doubt").wait_for()
    assert [row.set for row in read_song(song).corrections] == ["pitch C4"]
    page.locator("#undo").click()
    asked.wait_for()
    assert song.read_bytes() == text


@pytest.fixture
def judged(monkeypatch: pytest.MonkeyPatch) -> tuple[str, ...]:
    """Words that the server gives for the two edits, whatever the sound; in order of time."""
    words = ("clean", "do not use")

    def facts(verdicts: list[Verdict]) -> list[dict[str, Any]]:
        pairs = zip(verdicts, words, strict=False)
        return verdict_facts([replace(verdict, word=word) for verdict, word in pairs])

    monkeypatch.setattr(api_song, "verdict_facts", facts)
    return words


def test_every_edit_has_its_verdict_under_it(judged: tuple[str, ...], page: Any) -> None:
    wait_until(page, "workbench.state.verdicts.length === 2")
    rows = page.locator("#changes tbody")
    edits, verdicts = rows.locator("tr:not(.verdict)"), rows.locator("tr.verdict")
    assert [text.split("→")[0].split()[-1] for text in edits.all_inner_texts()] == ["G4", "C4"]
    assert verdicts.locator("b").all_inner_texts() == list(judged)
    assert [verdicts.nth(k).locator("svg").count() for k in range(2)] == [0, 1]
    assert verdicts.locator("b.warn").all_inner_texts() == ["do not use"]
    texts = page.evaluate("workbench.state.verdicts.map((v) => v.text)")
    for k, text in enumerate(texts):
        assert text in verdicts.nth(k).inner_text()
        below, above = verdicts.nth(k).locator("td").bounding_box(), edits.nth(k).bounding_box()
        assert below["y"] == pytest.approx(above["y"] + above["height"], abs=1)


@pytest.mark.parametrize("width", [1366, 1920, 390])
def test_a_verdict_has_room_on_every_screen(page: Any, width: int) -> None:
    page.set_viewport_size({"width": width, "height": 768})
    wait_until(page, "workbench.state.verdicts.length === 2")
    table = page.locator("#changes table").bounding_box()
    for k in range(2):
        cell = page.locator("#changes tr.verdict td").nth(k).bounding_box()
        assert cell["width"] > 0.75 * table["width"]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
