"""Moving notes in time in the workbench, as a user does it: in a real browser."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from workbench_browser import NEEDS_BROWSER, box_at_rest, wait_until

pytestmark = NEEDS_BROWSER


def new_variant(page: Any, name: str) -> None:
    page.locator("#new-variant").click()
    page.locator("#new-name").fill(name)
    page.locator("#name-done").click()


def test_an_end_is_dragged_to_the_beat(page: Any, song: Path) -> None:
    new_variant(page, "held")
    ending = page.evaluate(
        """async () => {
          const { melodyNotes } = await import("/assets/store.js");
          return melodyNotes().filter((note) => note.phrase_ending)[1].index;
        }"""
    )
    selector = f'#drawing .note[data-note="{ending}"] .hit'
    box_at_rest(page, selector)
    page.locator("#pic").scroll_into_view_if_needed()  # the note may be drawn anew meanwhile
    box = box_at_rest(page, selector)
    middle = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] - 2, middle)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] + 6, middle)
    page.mouse.move(box["x"] + box["width"] + 0.35 * box["width"], middle)
    assert "longer" in page.locator("#here").inner_text()
    page.mouse.up()
    rule = page.locator("#rules textarea").first.input_value()
    assert rule.startswith("hold note at ")
    assert rule.endswith("beats longer")
    page.get_by_text("Moves 1 note").wait_for()
    assert "longer" in page.locator("#changes tbody tr").first.inner_text()


def test_a_note_is_dragged_to_a_pitch_and_heard(page: Any, song: Path) -> None:
    """The finger is told degree and chord role; letting go writes a rule, and it sounds; how it is
    sung joins the rule."""
    new_variant(page, "played")
    selector = '#drawing .note[data-note="20"] .hit'
    box = box_at_rest(page, selector)
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x, y - 12)
    wait_until(page, "document.querySelector('#finger').hidden === false")
    page.mouse.move(x + 1, y - 50)
    wait_until(page, "document.querySelector('#finger').textContent.startsWith('E♭4, degree 4')")
    assert "not in B♭" in page.locator("#finger").inner_text()
    assert page.evaluate("workbench.tone") == 63
    page.mouse.up()
    first = "document.querySelector('#rules textarea').value"
    assert page.evaluate(first) == "move note at 8:1 to Eb4"
    wait_until(page, "workbench.player.playing && workbench.player.chosen === 'variant'")
    page.locator("#manner-glide").select_option("slow")
    wait_until(page, f"{first} === 'move note at 8:1 to Eb4 with a slow glide'")
    page.locator("#changes").get_by_text("slow glide").wait_for()
    page.locator("#manner-formants").select_option("moved")
    wait_until(page, f"{first} === 'move note at 8:1 to Eb4 with a slow glide with moved formants'")
    page.locator("#changes").get_by_text("formants moved").wait_for()
    page.locator("#pic").press("Backspace")
    wait_until(page, f"{first} === ''")


def test_the_builder_says_it_for_who_does_not_drag(page: Any, song: Path) -> None:
    new_variant(page, "late")
    page.locator("#builder summary").click()
    page.get_by_label("verb", exact=True).select_option("delay")
    page.get_by_label("what", exact=True).select_option("phrase-ending note")
    page.get_by_label("where", exact=True).select_option("in phrase 6")
    page.get_by_role("button", name="Add", exact=True).click()
    page.get_by_text("Moves 2 notes").wait_for()
    assert "begins 1 beat later" in page.locator("#changes").inner_text()
    assert "1 beat later than it did" in page.locator("body").text_content()
