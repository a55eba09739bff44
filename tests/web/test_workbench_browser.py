"""The workbench in a real browser: the way of a new user, its sound, keys, saving, blind tests."""

from __future__ import annotations

import importlib.util
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from web_client import RULE, demo_copy
from workbench_browser import NEEDS_BROWSER, chromium, opened, page_at, running, wait_until

from retune import pipeline
from retune.core.songfile import read_song

pytestmark = NEEDS_BROWSER
SHOTS = os.environ.get("RETUNE_SHOTS", "")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as browser:
        yield browser


@pytest.fixture
def song(tmp_path: Path) -> Path:
    return demo_copy(tmp_path / "song")


@pytest.fixture
def bench(song: Path) -> Iterator[tuple[str, Any]]:
    with running(song, folder=song.parent) as (address, desk):
        yield address, desk


@pytest.fixture
def page(browser: Any, bench: tuple[str, Any]) -> Iterator[Any]:
    with page_at(browser, bench[0]) as page:
        opened(page)
        yield page


def write(page: Any, text: str) -> None:
    page.locator("#rules textarea").last.fill(text)
    wait_until(page, f"workbench.state.plan?.asked?.includes({text!r})")


def play(page: Any) -> None:
    page.locator("#play").click()
    wait_until(page, "workbench.player.playing && workbench.player.position > 0.05")


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


def test_nothing_plays_unasked_and_it_begins_quietly(page: Any) -> None:
    page.wait_for_timeout(500)
    assert page.evaluate("workbench.player.ctx") is None
    assert page.evaluate("workbench.player.volumeDb") <= -20


def test_a_switch_is_a_crossfade_and_a_patch_is_exact(page: Any, bench: tuple[str, Any]) -> None:
    """The mixer itself, rendered offline: before the switch the original, after it the variant
    as rendering gives it, within the browser's own rounding of 16-bit files (1 part in 2^15)."""
    _, desk = bench
    page.locator("#rules textarea").first.wait_for()
    wait_until(page, "workbench.player.keys.variant.length === 2")
    plan = desk.plan([RULE])
    patch = pipeline.render(desk.opened, plan=plan).stems["vocal"].patches[0]
    rate = desk.opened.rate_hz
    middle = (patch.start + patch.stop) // 2
    start = middle - rate // 4
    heard = page.evaluate(
        """async ([start, n, rate]) => {
          const ctx = new OfflineAudioContext(2, n, rate);
          const copy = Object.create(workbench.player);
          copy.chosen = "original";
          copy.gainsDb = { original: 0, variant: 0, "matched-control": 0 };
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
    from retune.pipeline.mixing import mix_of

    n = rate // 2
    original = mix_of(opened_).read(start, start + n)[:, 0]
    variant = mix_of(opened_, pipeline.render(opened_, plan=plan)).read(start, start + n)[:, 0]
    import numpy as np

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
    page.keyboard.press("0")
    wait_until(page, "workbench.state.drafts.get(workbench.state.name).rules.length === 1")
    page.keyboard.press("ArrowUp")
    page.keyboard.press("ArrowUp")
    assert "up 2 scale steps" in page.locator("#rules textarea").nth(1).input_value()
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
    assert page.evaluate("document.activeElement.tagName") == "TEXTAREA"
    area.press("Escape")
    assert page.evaluate("document.activeElement.id") == "pic"


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


def test_a_phrase_loops(page: Any) -> None:
    page.locator("#pic").focus()
    page.keyboard.press("]")
    page.locator("#loop").check()
    play(page)
    a, b = page.evaluate("workbench.player.loop.map((n) => n / workbench.player.song.rate_hz)")
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
    # One trial is heard in full; to spare the rest of the time the songs are cut short.
    page.evaluate("workbench.player.now = () => 1e9")
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


def faults(page: Any) -> list[str]:
    """What axe-core finds on a page as it is."""
    found = importlib.util.find_spec("axe_core_python")
    if found is None or not found.submodule_search_locations:
        pytest.skip("the package axe-core-python is missing")
    page.evaluate((Path(found.submodule_search_locations[0]) / "axe.min.js").read_text("utf-8"))
    result = page.evaluate("axe.run({ resultTypes: ['violations'] })")
    return [f"{v['id']}: {v['nodes'][0]['html'][:160]}" for v in result["violations"]]


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
        page.locator("#new-fault").wait_for()
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
            boxes = [page.locator(q).first.bounding_box() for q in ("#drawing", "#s3", "#play")]
            assert all(box["y"] + min(box["height"], 40) < height for box in boxes), boxes
            assert faults(page) == []
        if SHOTS:
            Path(SHOTS).mkdir(parents=True, exist_ok=True)
            page.screenshot(path=f"{SHOTS}/bench-{width}-{scheme}.png", full_page=True)


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
    loop = page.evaluate("workbench.player.loop.map((n) => n / workbench.player.song.rate_hz)")
    assert loop == pytest.approx([edges[4], edges[6]], abs=1e-4)


@pytest.mark.parametrize(
    ("across", "by", "words"),
    [(0.5, (0, -1), "pitch"), (0.0, (8, 0), "start"), (1.0, (-8, 0), "end")],
)
def test_a_note_is_corrected_by_dragging(
    page: Any, song: Path, across: float, by: tuple[int, int], words: str
) -> None:
    page.locator("#correct-toggle").click()
    box = page.locator('#drawing .note[data-note="23"] .hit').bounding_box()
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


def test_naming_x(page: Any) -> None:
    page.locator("#go-blind").click()
    page.locator("#who").select_option("abx")
    page.locator("#n-pairs").fill("6")
    page.get_by_role("button", name="Begin").click()
    page.get_by_role("button", name="Hear X").click()
    wait_until(page, "workbench.player.playing")
    for _ in range(7):
        page.get_by_role("button", name="X is B").click()
    page.get_by_role("heading", name="Results").wait_for()
    # X is B in half of the trials: the design is balanced.
    assert "chosen 3 times of 6" in page.locator("#blind").inner_text()


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
    assert rows.count() == len(page.evaluate("workbench.state.song.stems.vocal.notes"))
    rows.nth(19).get_by_role("button").click()
    assert "Note 20:" in page.locator("#here").inner_text()


def test_a_chosen_note_is_played_from_the_start_of_its_phrase(page: Any) -> None:
    assert page.locator("#play").inner_text() == "Play from the start"
    page.locator("#changes tbody tr").nth(1).get_by_role("button").click()
    phrase = page.evaluate("workbench.state.song.stems.vocal.phrases[3]")
    assert page.evaluate("workbench.state.place") == pytest.approx(phrase["start_s"], abs=0.06)
    assert "oop phrase 4" in page.locator("#loop-label").inner_text()
    play(page)
    assert phrase["start_s"] - 0.1 < page.evaluate("workbench.player.now()") < phrase["end_s"]


def test_ratings_one_at_a_time(page: Any) -> None:
    page.locator("#go-blind").click()
    page.locator("#who").select_option("rating")
    page.locator("#n-pairs").fill("4")
    page.get_by_role("button", name="Begin").click()
    page.get_by_role("button", name="Play it").wait_for()
    page.evaluate("workbench.player.now = () => 1e9")
    for number in range(5):  # one for practice, each version twice
        page.get_by_role("button", name="Play it").click()
        page.get_by_role("button", name=str(number + 1), exact=True).click(timeout=20_000)
    page.get_by_role("heading", name="Results").wait_for()
    words = page.locator("#blind").inner_text()
    assert "matched-control: rated" in words
    assert "home-early: rated" in words
