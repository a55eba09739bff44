"""A finished mix in the workbench, measured against the same song from stems."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import soundfile
from finished import hum, mixed, sung, write_mix, write_song
from web_client import RULE, client_of, demo_copy
from workbench_browser import NEEDS_BROWSER, opened, page_at, running


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's mix with its melody as a table, `mix.toml`; its stems, `song.toml`."""
    folder = tmp_path_factory.mktemp("both")
    demo_copy(folder)
    write_mix(folder)
    write_song(folder, guide="melody.csv", name="mix")
    (folder / "notes.toml").write_text("to do = 'mend this'\n", encoding="utf-8")
    return folder


def test_songs_with_stems_are_offered_beside_a_mix_alone(folder: Path) -> None:
    """Neither another mix, nor a file that is no song, nor one outside of the folder."""
    write_song(folder, name="again")
    outside = folder.parent / "outside.toml"
    shutil.copyfile(folder / "song.toml", outside)
    (folder / "link.toml").symlink_to(outside)
    assert client_of(folder / "mix.toml").get("beside").json() == {"songs": ["song.toml"]}
    assert client_of(folder / "song.toml").get("beside").json() == {"songs": []}


def test_stems_outside_of_the_folder_are_refused(folder: Path) -> None:
    client = client_of(folder / "mix.toml")
    ask = {"what": "page", "rules": [RULE], "beside": "../song.toml"}
    answer = client.post("make", ask)
    assert answer.status_code == 400
    assert "leaves the song's folder" in answer.json()["error"]


class TestInTheBrowser:
    pytestmark = NEEDS_BROWSER

    @pytest.fixture
    def page(self, browser: Any, folder: Path) -> Iterator[Any]:
        song = folder / "mix.toml"
        with running(song, folder=folder) as (address, _), page_at(browser, address) as page:
            opened(page)
            yield page

    def test_the_page_has_both_and_the_difference_is_said(self, page: Any, folder: Path) -> None:
        page.get_by_label("also the same rules made from stems").select_option("song.toml")
        page.get_by_role("button", name="Make comparison page").click()
        done = page.locator("#tasks", has_text="Done.")
        done.wait_for(timeout=60_000)
        told = done.inner_text()
        assert "home, from the mix and from stems: " in told
        assert "dB apart (the median of 2 edits); with nothing moved it would be" in told
        written = (folder / "comparison" / "home.html").read_text(encoding="utf-8")
        assert "home-from-stems" in written

    def test_a_hummed_guide_is_heard_and_said(self, browser: Any, tmp_path: Path) -> None:
        _, rate_hz, _ = mixed()
        write_mix(tmp_path)
        sound = hum(sung(), rate_hz=rate_hz, semitones=-12.0, late_s=0.4)
        soundfile.write(tmp_path / "hum.wav", sound, rate_hz)
        song = write_song(tmp_path, guide="hum.wav")
        with running(song, folder=tmp_path) as (address, _), page_at(browser, address) as page:
            opened(page)
            page.locator("#warnings summary").click()
            page.locator("#warnings", has_text="laid on the mix, an octave higher").wait_for()
            assert page.locator("#stems-beside").is_hidden()
            assert len(page.evaluate("workbench.state.song.stems.all.notes")) == len(sung())
