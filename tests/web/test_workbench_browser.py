"""The workbench in a real browser: the way of a new user, keys, saving, correcting."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest
from web_client import RULE, demo_copy
from workbench_browser import (
    NEEDS_BROWSER,
    box_at_rest,
    faults,
    opened,
    page_at,
    play,
    running,
    wait_until,
    write,
)

from retune.song.songfile import read_song

pytestmark = NEEDS_BROWSER
SHOTS = os.environ.get("RETUNE_SHOTS", "")


def test_the_way_of_a_new_user(page: Any, song: Path) -> None:
    """Find the held endings, bring them home with the builder, hear both ways, save: by eye,
    mouse and buttons alone."""
    assert page.locator("h1:visible").inner_text() == "Lantern Song"
    assert "2" in page.locator("#drawing svg").text_content()
    page.locator("#new-variant").click()
    page.locator("#new-name").fill("coming home")
    page.locator("#name-done").click()
    page.locator("#builder summary").click()
    page.get_by_label("what", exact=True).select_option("phrase-ending degree 2")
    page.get_by_label("target", exact=True).select_option("degree 1")
    page.get_by_role("button", name="Add", exact=True).click()
    page.get_by_text("Moves 2 notes").wait_for()
    assert page.locator("#changes tbody tr").count() == 2
    assert page.locator("#changes").get_by_text("at rest", exact=True).count() == 1
    assert page.locator("#changes").get_by_text("still open", exact=True).count() == 1
    play(page)
    page.locator("#versions").get_by_text("coming-home").click()
    wait_until(page, "workbench.player.sounding === 'variant'")
    page.locator("#exchange").click()
    wait_until(page, "workbench.player.sounding === 'original'")
    assert "Not saved" in page.locator("#unsaved").inner_text()
    page.locator("#save").click()
    page.locator("#unsaved").wait_for(state="hidden")
    assert read_song(song).variants["coming-home"].rules == (RULE,)


def test_keys_do_all_of_it(page: Any, song: Path) -> None:
    page.locator("#pic").focus()
    page.keyboard.press("p")
    wait_until(page, "workbench.player.playing")
    for key, name in (("v", "variant"), ("m", "matched-control"), ("o", "original")):
        page.keyboard.press(key)
        wait_until(page, f"workbench.player.sounding === {name!r}")
    page.keyboard.press("x")
    wait_until(page, "workbench.player.sounding === 'matched-control'")
    page.keyboard.press("p")
    assert not page.evaluate("workbench.player.playing")
    page.keyboard.press("e")
    page.keyboard.press("e")
    assert "phrase 2 ends here" in page.locator("#here").inner_text()
    page.keyboard.press("l")
    assert page.locator("#loop").is_checked()
    assert "oop phrase 2" in page.locator("#loop-label").inner_text()
    page.keyboard.press("3")
    page.locator("#rules").get_by_text("Moves 1 note: bar 8.").wait_for()
    assert "to degree 3" in page.locator("#rules textarea").nth(1).input_value()
    page.keyboard.press("Backspace")
    second = """document.querySelectorAll("#rules textarea")[1].value"""
    wait_until(page, f"{second}.startsWith('keep note at ')")
    page.keyboard.press("ArrowUp")
    page.keyboard.press("ArrowUp")
    wait_until(page, f"{second}.endsWith('to Eb4')")
    page.keyboard.press("Control+s")
    page.get_by_text("All changes saved").or_(page.get_by_text("Saved home-early")).first.wait_for()
    wait_until(page, "workbench.state.song.undo === 1")
    assert len(read_song(song).variants["home-early"].rules) == 2
    page.keyboard.press("Control+z")
    wait_until(page, "workbench.state.song.undo === 0")
    assert read_song(song).variants["home-early"].rules == (RULE,)
    page.keyboard.press("?")
    assert page.locator("#keys").is_visible()


def test_letters_do_not_act_in_fields_or_when_turned_off(page: Any) -> None:
    page.locator("#rules textarea").first.press("v")
    assert page.evaluate("workbench.player.chosen") == "original"
    page.locator("#help summary").click()
    page.locator("#letters").uncheck()
    page.locator("#letters").press("v")
    assert page.evaluate("workbench.player.chosen") == "original"
    page.locator("#letters").check()
    page.locator("#letters").press("v")
    assert page.evaluate("workbench.player.chosen") == "variant"


def test_a_spoken_rule_with_two_readings_is_chosen_by_a_button(page: Any) -> None:
    page.locator("#add-rule").click()
    write(page, "raise the last note a step")
    choices = page.locator("#rules .choice:visible")
    choices.nth(1).wait_for()
    assert choices.count() == 2
    if SHOTS:
        page.screenshot(path=f"{SHOTS}/two-readings.png")
    choices.nth(1).click()
    choices.nth(1).wait_for(state="hidden")
    assert page.locator("#rules textarea").nth(1).input_value().endswith("in phrase last")
    write(page, "every phrase that ends on 2 should end on 1")
    page.get_by_text("Read as: move phrase-ending degree 2 to degree 1").wait_for()


def test_a_fault_stands_under_its_word_and_is_mended_by_a_button(page: Any) -> None:
    page.locator("#add-rule").click()
    write(page, "keep phrase-ending degre 4")
    fault = page.locator("#rules .fault").nth(1)
    fault.wait_for()
    assert page.locator("#rules mark").inner_text() == "degre"
    page.locator("#sound-state", has_text="Rule 2 is left out").wait_for()
    assert page.locator("#changes tbody tr").count() == 2
    mark, caret = (
        page.locator(q).bounding_box()
        for q in ("#rules mark", "#rules .fault .say >> visible=true")
    )
    assert abs(mark["x"] - caret["x"]) < 30
    fault.get_by_role("button").click()
    fault.wait_for(state="hidden")
    assert page.locator("#rules textarea").nth(1).input_value() == "keep phrase-ending degree 4"


def test_words_are_completed_from_the_keyboard(page: Any) -> None:
    area = page.locator("#rules textarea").first
    area.fill("")
    area.press_sequentially("mo")
    page.locator("#rules .offer").first.wait_for()
    area.press("ArrowDown")
    area.press("Enter")
    area.press_sequentially("phrase-e")
    wait_until(page, "[...document.querySelectorAll('#rules .offer')].length === 1")
    area.press("ArrowDown")
    area.press("Enter")
    assert area.input_value() == "move phrase-ending "
    page.locator("#rules .offer", has_text="degree").wait_for()
    area.press("Escape")
    assert page.evaluate("document.activeElement.id") == "pic"
    assert page.locator("#rules .offer:visible").count() == 0


def test_a_correction_is_saved_and_undone(page: Any, song: Path) -> None:
    page.locator("#correct-toggle").click()
    page.locator("#pic").focus()
    page.keyboard.press("e")
    page.locator("#set-pitch").fill("G4")
    page.locator("#set-pitch").press("Enter")
    wait_until(page, "workbench.state.song.corrections.length === 1")
    assert read_song(song).corrections[0].set == "pitch G4"
    page.locator("#here", has_text="G4").wait_for()
    page.locator("#undo").click()
    wait_until(page, "workbench.state.song.corrections.length === 0")
    assert read_song(song).corrections == ()


def test_a_change_from_outside_is_offered_and_drafts_stay(page: Any, song: Path) -> None:
    write(page, "move phrase-ending degree 2 to degree 3")
    text = song.read_text(encoding="utf-8").replace("Lantern Song", "Lamp Song")
    song.write_text(text, encoding="utf-8")
    page.locator("#conflict").wait_for(timeout=10_000)
    page.get_by_role("button", name="Load it").click()
    page.get_by_role("heading", name="Lamp Song").wait_for()
    assert page.locator("#rules textarea").first.input_value().endswith("to degree 3")
    assert song.read_text(encoding="utf-8") == text


def test_what_no_server_could_keep_the_browser_keeps_until_one_does(page: Any) -> None:
    page.route("**/api/drafts", lambda route: route.fulfill(body="no answer that reads"))
    write(page, "move phrase-ending degree 2 to degree 3")
    wait_until(page, "localStorage.length > 0")
    page.unroute("**/api/drafts")
    page.reload()
    opened(page)
    assert page.locator("#rules textarea").first.input_value().endswith("to degree 3")
    wait_until(page, "localStorage.length === 0")  # the server has them now
    page.reload()
    opened(page)
    assert page.locator("#rules textarea").first.input_value().endswith("to degree 3")


def test_a_fact_is_changed_and_a_wrong_one_told_under_its_field(page: Any, song: Path) -> None:
    page.locator("#edit-facts").click()
    page.locator("#fact-key").fill("H flat")
    page.locator("#facts-form").get_by_role("button", name="Change", exact=True).click()
    page.locator("#fact-key + .field-fault").wait_for()
    page.locator("#fact-key").fill("Bb major")
    page.locator("#fact-title").fill("Lamp Song")
    page.locator("#facts-form").get_by_role("button", name="Change", exact=True).click()
    page.get_by_role("heading", name="Lamp Song").wait_for()
    assert page.locator("#facts-form").is_hidden()
    assert "Lamp Song" in song.read_text(encoding="utf-8")


def test_no_accessibility_fault_in_any_state(page: Any) -> None:
    """axe-core on the bench, a fault, the opened forms and the blind test (WCAG 2.2 A and AA)."""
    assert faults(page) == []
    page.locator("#add-rule").click()
    write(page, "keep phrase-ending degre 4")
    page.locator("#rules .fault").nth(1).wait_for()
    for opener in OPENERS:
        page.locator(opener).first.click()
    for opener in ("#edit-facts", "#export", "#new-variant", "#suggest"):
        page.locator(opener).click()
    page.locator(".suggestion").first.wait_for()
    page.locator("#pic").focus()
    page.keyboard.press("e")
    assert faults(page) == []
    page.locator("#go-blind").click()
    assert faults(page) == []


def test_a_new_song_by_drop_and_form(browser: Any, tmp_path: Path) -> None:
    folder = tmp_path / "new"
    folder.mkdir()
    stems = demo_copy(tmp_path / "stems").parent
    with running(None, folder=folder) as (address, _), page_at(browser, address) as page:
        page.locator("#empty").wait_for()
        assert faults(page) == []
        assert page.locator("#status").inner_text() == "No song open"
        files = [stems / f"{name}.flac" for name in ("vocal", "bass", "harp")]
        page.locator("#chosen").set_input_files(files)
        page.locator("#stems tbody tr").nth(2).wait_for()
        roles = [page.locator("#stems select").nth(k).input_value() for k in range(3)]
        assert roles == ["bass", "backing", "melody"]
        page.locator("#nt").fill("Mine")
        page.locator("#nk").fill("H flat")
        page.get_by_role("button", name="Show the picture").click()
        page.locator("#nk-fault").wait_for()  # under its field, without file and line
        assert page.locator("#nk-fault").inner_text().startswith("“flat” is")
        assert page.locator("#nk:focus").get_attribute("aria-invalid") == "true"
        assert faults(page) == []
        if SHOTS:
            page.screenshot(path=str(Path(SHOTS) / "new-fault.png"))
        page.locator("#nk").fill("Bb major")
        page.locator("#nm").fill("3/4")
        page.locator("#nb").fill("92")
        page.locator("#nd").fill("1.3")
        page.get_by_role("button", name="Show the picture").click()
        opened(page)
        assert page.locator("h1:visible").inner_text() == "Mine"
        assert read_song(folder / "song.toml").music.key == "Bb major"


OPENERS = (
    "#builder summary",
    "#correct-toggle",
    "#stems-heard summary",
    "#all-notes summary",
    "#help summary",
)
SIZES = ((360, 800), (1280, 900), (2560, 1440), (3840, 2160))


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_the_page_fits_every_size(
    browser: Any, bench: tuple[str, Any], width: int, height: int, scheme: str
) -> None:
    """Nothing sticks out sideways; screenshots go to RETUNE_SHOTS when it is set."""
    with page_at(
        browser, bench[0], width=width, height=height, color_scheme=scheme, reduced_motion="reduce"
    ) as page:
        opened(page)
        if width == 1280:  # the first screen: the picture whole, and what to do with it begun
            page.locator("#drawing svg").first.wait_for()
            boxes = [page.locator(q).first.bounding_box() for q in ("#drawing", "#s3", "#play")]
            assert all(box["y"] + min(box["height"], 20) < height for box in boxes), boxes
            assert boxes[0]["y"] + boxes[0]["height"] < height
        page.locator("#add-rule").click()
        write(page, "keep phrase-ending degre 4")
        page.locator("#rules .fault").nth(1).wait_for()
        page.locator("#pic").focus()
        page.keyboard.press("e")
        page.keyboard.press("e")
        page.wait_for_timeout(700)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        page.evaluate("scrollTo(0, 0)")
        if width == 1280:
            assert faults(page) == []
        if SHOTS:
            Path(SHOTS).mkdir(parents=True, exist_ok=True)
            page.screenshot(path=f"{SHOTS}/bench-{width}-{scheme}.png", full_page=True)


@pytest.mark.parametrize(
    ("across", "by", "words"),
    [(0.5, (0, -1), "pitch"), (0.0, (8, 0), "start"), (1.0, (-8, 0), "end")],
)
def test_a_note_is_corrected_by_dragging(
    page: Any, song: Path, across: float, by: tuple[int, int], words: str
) -> None:
    page.locator("#correct-toggle").click()
    box = box_at_rest(page, '#drawing .note[data-note="23"] .hit')
    x, y = (
        box["x"] + min(max(across * box["width"], 2), box["width"] - 2),
        box["y"] + box["height"] / 2,
    )
    lanes = 26 if words == "pitch" else 1
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + by[0], y + by[1] * lanes, steps=4)
    assert f"Let go to correct note 23: {words}" in page.locator("#here").inner_text()
    page.mouse.up()
    wait_until(page, "workbench.state.song.corrections.length === 1")
    assert read_song(song).corrections[0].set.startswith(words)


def test_a_bare_recording_gets_a_song_file_when_saved(browser: Any, tmp_path: Path) -> None:
    vocal = demo_copy(tmp_path / "bare").parent / "vocal.flac"
    (vocal.parent / "song.toml").unlink()
    with running(vocal, folder=vocal.parent) as (address, _), page_at(browser, address) as page:
        opened(page)
        write(page, "move last note of phrase last to degree 2")
        wait_until(page, "workbench.state.plan.edits.length === 1")
        page.locator("#save").click()
        wait_until(page, "workbench.state.song.is_song_file && workbench.state.song.undo === 1")
    written = read_song(vocal.parent / "song.toml")
    assert list(written.stems) == ["vocal"]
    assert written.variants["first-try"].rules


def test_all_notes_are_a_table(page: Any) -> None:
    page.locator("#all-notes summary").click()
    rows = page.locator("#notes-table tbody tr")
    rows.first.wait_for()
    assert rows.count() == len(page.evaluate("workbench.state.song.stems.vocal.notes"))
    told = page.locator("#notes-table").inner_text()
    assert "B♭" in told
    assert not [word for word in told.split() if word.startswith(("Bb", "Eb")) or ":" in word]
    rows.nth(19).get_by_role("button").click()
    assert "Note 20:" in page.locator("#here").inner_text()
