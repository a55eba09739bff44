"""Changes to the song file over the wire: saved whole, undone, never over another's."""

from __future__ import annotations

from pathlib import Path
from threading import Thread
from typing import Any

import pytest
import soundfile
from web_client import RULE, Client, client_of, demo_copy

from retune.carriers.songfacts import Variant
from retune.faces.web.desk import Desk

MARK = "# kept with care\n"


@pytest.fixture
def song(tmp_path: Path) -> Path:
    path = demo_copy(tmp_path / "song")
    path.write_text(MARK + path.read_text(encoding="utf-8"), encoding="utf-8")
    return path


@pytest.fixture
def client(song: Path) -> Client:
    return client_of(song)


def change(client: Client, path: str, **body: Any) -> dict[str, Any]:
    answer = client.post(path, {**body, "revision": client.song()["revision"]})
    assert answer.status_code == 200, answer.text
    told: dict[str, Any] = answer.json()
    return told


def note_at(view: dict[str, Any], index: int) -> dict[str, Any]:
    note: dict[str, Any] = view["stems"]["vocal"]["notes"][index - 1]
    return note


def test_a_variant_is_saved_with_comments_kept(client: Client, song: Path) -> None:
    view = change(client, "variant", name="try-3", rules=[RULE, ""], about="to see")
    assert view["variants"][-1] == {"name": "try-3", "about": "to see", "rules": [RULE]}
    text = song.read_text(encoding="utf-8")
    assert text.startswith(MARK)
    assert "the pickup of the first phrase sounds before it" in text


def test_a_variant_with_a_fault_or_a_bad_name_is_not_saved(client: Client, song: Path) -> None:
    before = song.read_bytes()
    revision = client.song()["revision"]
    for body in (
        {"name": "a", "rules": [RULE, "keep degre 4"]},
        {"name": "a", "rules": []},
        {"name": "original", "rules": [RULE]},
        {"name": "two words", "rules": [RULE]},
        {"name": "a", "rules": [RULE], "about": "x\ny"},
    ):
        assert client.post("variant", {**body, "revision": revision}).status_code == 400
    assert song.read_bytes() == before


def test_undo_and_redo_go_all_the_way(client: Client, song: Path) -> None:
    texts = [song.read_text(encoding="utf-8")]
    for number in range(5):
        change(client, "variant", name=f"v{number}", rules=[RULE])
        texts.append(song.read_text(encoding="utf-8"))
    for text in texts[-2::-1]:
        change(client, "undo")
        assert song.read_text(encoding="utf-8") == text
    revision = client.song()["revision"]
    assert client.post("undo", {"revision": revision}).status_code == 400
    for text in texts[1:]:
        change(client, "redo")
        assert song.read_text(encoding="utf-8") == text
    assert client.song()["undo"] == 5


def test_a_new_change_ends_what_could_be_done_again(client: Client) -> None:
    change(client, "variant", name="a", rules=[RULE])
    change(client, "undo")
    view = change(client, "variant", name="b", rules=[RULE])
    assert (view["undo"], view["redo"]) == (1, 0)


def test_corrections_are_heard_at_once_and_taken_back(client: Client) -> None:
    view = client.song()
    note = note_at(view, 20)
    at_s = (note["start_s"] + note["end_s"]) / 2
    add = [{"stem": "vocal", "at_s": at_s, "set": "pitch D4"}]
    corrected = change(client, "correct", add=add)
    assert note_at(corrected, 20)["name"] == "D4"
    assert len(corrected["corrections"]) == 1
    undone = change(client, "undo")
    assert note_at(undone, 20)["name"] == note["name"]
    again = change(client, "redo")
    assert note_at(again, 20)["name"] == "D4"
    cleared = change(client, "correct/remove", **again["corrections"][0])
    assert cleared["corrections"] == []
    assert note_at(cleared, 20)["name"] == note["name"]


def test_a_correction_that_does_not_read_changes_nothing(client: Client, song: Path) -> None:
    before = song.read_bytes()
    add = [{"stem": "vocal", "at_s": 3.0, "set": "pitch H4"}]
    body = {"add": add, "revision": client.song()["revision"]}
    answer = client.post("correct", body)
    assert answer.status_code == 400
    assert "pitch F4" in answer.json()["error"]
    assert song.read_bytes() == before


def test_musical_facts_are_set_from_fields(client: Client, song: Path) -> None:
    view = change(client, "music", set=[{"name": "key", "value": "G minor"}])
    assert view["key_name"] == "G minor"
    view = change(client, "music", set=[{"name": "phrases", "value": "[[0.0, 8.2], [8.2, 16.0]]"}])
    assert len(view["stems"]["vocal"]["phrases"]) == 2
    assert view["given"]["phrases"] == "[[0, 8.2], [8.2, 16]]"
    view = change(client, "music", set=[{"name": "chords", "value": ""}])
    assert view["chords"] == [] or all(chord["label"] for chord in view["chords"])
    revision = view["revision"]
    for name, value in (
        ("tempo_bpm", "fast"),
        ("key", "H major"),
        ("meter", "3:4"),
        ("phrases", "[[1"),
        ("chords_file", "x.lab"),
    ):
        body = {"set": [{"name": name, "value": value}], "revision": revision}
        assert client.post("music", body).status_code == 400, name


def test_every_fact_of_a_song_is_a_field(client: Client, song: Path) -> None:
    """Rights, passage, keys, sections, lyrics, and what each stem is; comments stay, an empty field
    takes the fact away, and one undo takes all back."""
    before = song.read_bytes()
    fields = {
        "title": "Lamp Song",
        "rights": "ours",
        "passage": "0:05-0:20",
        "keys": "9:1 G minor, 17:1 Bb major",
        "sections": "1:1 verse; 5:1 chorus",
        "lyrics": "One lamp\nTwo lamps",
        "bass.gain_db": "-3.5",
        "harp.role": "harmony",
        "harp.when_melody_moves": "scale steps",
    }
    view = change(client, "music", set=[{"name": n, "value": v} for n, v in fields.items()])
    given = view["given"]
    stems = {stem["name"]: stem for stem in given["stems"]}
    assert {name: given[name] for name in ("title", "rights", "lyrics")} == {
        name: fields[name] for name in ("title", "rights", "lyrics")
    }
    assert (given["keys"], given["sections"]) == (fields["keys"], "1:1 verse, 5:1 chorus")
    assert view["passage"] == [5.0, 20.0]
    assert (stems["bass"]["gain_db"], stems["harp"]["when_melody_moves"]) == ("-3.5", "scale steps")
    assert view["stems"]["harp"]["role"] == "harmony"
    text = song.read_text(encoding="utf-8")
    assert text.startswith(MARK)
    assert "the pickup of the first phrase sounds before it" in text
    seen = client.get("overview").json()
    assert (len(seen["level_db"]), max(seen["level_db"]), seen["passage"]) == (
        240,
        0.0,
        [5.0, 20.0],
    )
    assert seen["duration_s"] > 40
    bare = change(client, "music", set=[{"name": "passage", "value": ""}])
    assert bare["passage"] is None
    change(client, "undo")
    change(client, "undo")
    assert song.read_bytes() == before


def test_a_field_that_cannot_be_is_told(client: Client, song: Path) -> None:
    before = song.read_bytes()
    revision = client.song()["revision"]
    for name, value, words in (
        ("keys", "17:1", "write 17:1 G major"),
        ("bass.gain_db", "loud", "not a number"),
        ("bass.role", "drone", "drone"),
        ("flute.role", "bass", "no stem is called"),
        ("vocal.voice", "../x.wav", "plain name"),
        ("vocal.file", "x.wav", "cannot be set here"),
        ("passage", "soon", "passage"),
    ):
        body = {"set": [{"name": name, "value": value}], "revision": revision}
        answer = client.post("music", body)
        assert answer.status_code == 400, name
        assert words in answer.json()["error"]
    assert song.read_bytes() == before


def test_meters_and_tempi_change_in_fields_and_a_map_stands_for_all_of_them(
    client: Client, song: Path
) -> None:
    given = {"meters": "9:1 4/4", "tempos": "9:1 104", "chords": ""}
    rows = [{"name": name, "value": value} for name, value in given.items()]
    view = change(client, "music", set=rows)
    assert view["meter_words"] == "3/4, from bar 9 4/4"
    assert view["tempo_words"] == "92 a minute, from bar 9 104"
    assert (view["given"]["meters"], view["given"]["tempos"]) == ("9:1 4/4", "9:1 104")
    assert view["bars"]["meters"][1] == {"bar": 9, "meter": "4/4"}
    body = {"set": [{"name": "meters", "value": "9:2 4/4"}], "revision": view["revision"]}
    answer = client.post("music", body)
    assert answer.status_code == 400
    assert answer.json()["field"] == "meters"
    assert answer.json()["why"].startswith('"9:2" cannot change the meter; a meter begins with')
    track = bytes.fromhex("00ff580403021808 00ff510307a120 00ff2f00")
    head = b"MThd" + bytes.fromhex("00000006 0000 0001 0060") + b"MTrk"
    (song.parent / "band.mid").write_bytes(head + len(track).to_bytes(4, "big") + track)
    view = change(client, "music", set=[{"name": "tempo_map", "value": "band.mid"}])
    assert (view["meter_words"], view["tempo_words"]) == ("3/4", "120 a minute")
    text = song.read_text(encoding="utf-8")
    assert all(f"\n{name} =" not in text for name in ("meter", "meters", "tempo_bpm", "tempos"))
    view = change(client, "music", set=[{"name": "tempo_bpm", "value": "92"}])
    assert "tempo_map" not in song.read_text(encoding="utf-8")


def test_bars_by_their_downbeats_and_by_tempo_take_each_others_place(
    client: Client, song: Path
) -> None:
    downs = [{"name": "downbeats_s", "value": "[1.3, 3.256, 5.212]"}]
    view = change(client, "music", set=downs)
    assert view["bars"]["downbeats_s"][:3] == [1.3, 3.256, 5.212]
    assert view["told"] == {"key": "", "bars": "", "chords": ""}
    text = song.read_text(encoding="utf-8")
    assert "tempo_bpm" not in text
    assert "first_downbeat_s" not in text
    tempo = [{"name": "tempo_bpm", "value": "80"}, {"name": "first_downbeat_s", "value": "0.5"}]
    view = change(client, "music", set=tempo)
    assert view["bars"]["downbeats_s"][:2] == [0.5, 2.75]
    assert "downbeats_s = [" not in song.read_text(encoding="utf-8")
    body = {"set": [{"name": "downbeats_s", "value": "1.3; 2"}], "revision": view["revision"]}
    answer = client.post("music", body)
    assert answer.status_code == 400
    assert "[start, start, ...]" in answer.json()["error"]


def test_a_change_that_cannot_be_heard_is_not_saved(client: Client, song: Path) -> None:
    """A song file may be valid and yet impossible: chords with bar lines and no meter for them."""
    before, view = song.read_bytes(), client.song()
    body = {"set": [{"name": "meter", "value": ""}], "revision": view["revision"]}
    assert client.post("music", body).status_code == 400
    assert song.read_bytes() == before
    assert client.song() == view


def test_two_windows_do_not_lose_each_others_changes(client: Client, song: Path) -> None:
    seen = client.song()["revision"]
    body = {"name": "mine", "rules": [RULE], "revision": seen}
    assert client.post("variant", body).status_code == 200
    after = song.read_bytes()
    other = client.post("variant", {"name": "home-early", "rules": [RULE], "revision": seen})
    assert other.status_code == 409
    assert "another window" in other.json()["error"]
    assert song.read_bytes() == after


def test_a_change_made_outside_is_noticed_and_never_overwritten(client: Client, song: Path) -> None:
    change(client, "variant", name="mine", rules=[RULE])
    seen = client.song()["revision"]
    outside = song.read_text(encoding="utf-8").replace("Lantern Song", "Lamp Song")
    song.write_text(outside, encoding="utf-8")
    assert client.get("state").json()["changed_outside"] is True
    for path in ("variant", "undo"):
        answer = client.post(path, {"name": "b", "rules": [RULE], "revision": seen})
        assert answer.status_code == 409
        assert "another program" in answer.json()["error"]
    assert song.read_text(encoding="utf-8") == outside
    view = client.post("reload").json()
    assert view["title"] == "Lamp Song"
    assert client.get("state").json()["changed_outside"] is False
    assert (view["undo"], view["redo"]) == (0, 0)


def test_two_servers_on_one_song_notice_each_other(client: Client, song: Path) -> None:
    other = client_of(song)
    first, second = client.song()["revision"], other.song()["revision"]
    assert first == second
    body = {"rules": [RULE], "revision": first}
    assert client.post("variant", {**body, "name": "a"}).status_code == 200
    assert other.post("variant", {**body, "name": "b"}).status_code == 409


def test_an_unreadable_song_file_is_told_and_mended(client: Client, song: Path) -> None:
    client.song()
    good = song.read_text(encoding="utf-8")
    song.write_text(good + "\n[nonsense", encoding="utf-8")
    answer = client.post("reload")
    assert answer.status_code == 400
    assert "song.toml" in answer.json()["error"]
    song.write_text(good, encoding="utf-8")
    assert client.post("reload").status_code == 200


def test_the_original_mix_is_measured_once(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    from retune.pipeline import mix_levels
    from retune.pipeline.stages import Memory

    calls, measure = [], mix_levels.measure

    def noted(mix: Any) -> Any:
        # A desk of an earlier test may still be warming in a thread of its own.
        if mix.parts[0].audio.path.is_relative_to(client.desk.folder):
            calls.append(mix)
        return measure(mix)

    monkeypatch.setattr(mix_levels, "measure", noted)
    monkeypatch.setattr(client.desk, "_memory", Memory())  # nothing from disk
    client.desk.reload()
    client.post("levels", {"rules": []})
    change(client, "music", set=[{"name": "key", "value": "G minor"}])
    change(client, "variant", name="a", rules=["move highest note to degree 1"])
    client.post("levels", {"rules": []})
    client.desk.levels()
    assert len(calls) == 1


def test_what_is_unexpected_is_told_and_not_hidden(
    client: Client, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*given: Any, **more: Any) -> None:
        raise ZeroDivisionError("a fault of our own")

    monkeypatch.setattr(type(client.desk), "plan", broken)
    answer = client.post("plan", {"rules": []})
    assert answer.status_code == 500
    assert "a fault of our own" in answer.json()["error"]
    assert "default-src" in answer.headers["content-security-policy"]
    assert "ZeroDivisionError" in capsys.readouterr().err


def test_undo_and_what_was_not_saved_go_on_after_a_restart(client: Client, song: Path) -> None:
    text = song.read_text(encoding="utf-8")
    change(client, "variant", name="a", rules=[RULE])
    change(client, "variant", name="b", rules=[RULE])
    change(client, "undo")
    draft = {"name": "half-done", "rules": ["move highest"], "about": ""}
    assert client.post("drafts", {"drafts": [draft]}).json() == {"kept": 1, "lost_since": ""}
    later = client_of(song)
    view = later.song()
    assert (view["undo"], view["redo"], view["drafts"]) == (1, 1, [draft])
    change(later, "undo")
    assert song.read_text(encoding="utf-8") == text
    song.write_text(text + "# by another program\n", encoding="utf-8")
    other = client_of(song).song()
    assert (other["undo"], other["redo"], other["drafts"]) == (0, 0, [draft])


@pytest.mark.parametrize("servers", [1, 2])
def test_what_another_window_has_not_saved_stays(song: Path, servers: int) -> None:
    one, other = (client_of(song), client_of(song))
    other = one if servers == 1 else other
    for client in (one, other):
        client.song()
    first, second = ({"name": name, "rules": [RULE], "about": ""} for name in ("first", "second"))
    one.post("drafts", {"drafts": [first], "gone": []})
    other.post("drafts", {"drafts": [second], "gone": []})
    change(other, "variant", name="saved", rules=[RULE])
    assert client_of(song).song()["drafts"] == [first, second]
    one.post("drafts", {"drafts": [], "gone": ["first"]})
    assert client_of(song).song()["drafts"] == [second]


def test_drafts_of_servers_that_write_at_once_all_stay(song: Path) -> None:
    def write(name: str) -> None:
        desk = Desk(song, folder=song.parent)
        for number in range(20):
            desk.keep_drafts([Variant(name, (f"{RULE} {number}",), "")])

    threads = [Thread(target=write, args=(name,)) for name in ("a", "b", "c")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    drafts = client_of(song).song()["drafts"]
    assert sorted((d["name"], d["rules"]) for d in drafts) == [
        (name, [f"{RULE} 19"]) for name in ("a", "b", "c")
    ]


@pytest.mark.parametrize("is_loaded", [False, True])
def test_what_another_server_can_take_back_stays(song: Path, is_loaded: bool) -> None:
    one, other = client_of(song), client_of(song)
    other.song()
    change(one, "variant", name="a", rules=[RULE])
    change(one, "variant", name="b", rules=[RULE])
    if is_loaded:
        other.post("reload", {})
    other.post("drafts", {"drafts": [{"name": "draft", "rules": [RULE], "about": ""}]})
    assert client_of(song).song()["undo"] == 2


@pytest.mark.parametrize(
    "there", ['{"drafts": {"format": 2}}', '{"revision": "', "[" * 5000, "[]", "null", "\0"]
)
def test_what_was_kept_otherwise_is_put_aside(
    there: str, song: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By a version of the future, say."""
    monkeypatch.setattr("retune.faces.web.desk.drawers", lambda: tmp_path / "drawers")
    client_of(song).post("drafts", {"drafts": []})
    (drawer,) = (tmp_path / "drawers").glob("*.json")
    for number in (1, 2):
        drawer.write_text(there, encoding="utf-8")
        draft = {"name": "mine", "rules": [RULE], "about": ""}
        assert client_of(song).post("drafts", {"drafts": [draft]}).json()["lost_since"] == ""
        aside = drawer.with_name(f"{drawer.stem}.kept-{number}.json")
        assert aside.read_text(encoding="utf-8") == there
    assert client_of(song).song()["drafts"] == [draft]


def test_what_cannot_be_kept_is_told(
    client: Client, song: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    draft = {"name": "half-done", "rules": ["move highest"], "about": ""}
    (tmp_path / "cache").write_bytes(b"no folder")
    monkeypatch.setattr("retune.faces.web.desk.drawers", lambda: tmp_path / "cache" / "workbench")
    answer = client_of(song).post("drafts", {"drafts": [draft]}).json()
    assert answer["lost_since"].startswith(f"cannot write to {tmp_path}")
    monkeypatch.setattr("retune.faces.web.kept.MOST_BYTES", 50)
    client.song()
    answer = client.post("drafts", {"drafts": [draft]}).json()
    assert answer["lost_since"].startswith("it is more than")
    assert client.song()["drafts"] == [draft]  # as long as the server runs


def test_a_second_song_gives_back_what_was_kept_of_it(client: Client, song: Path) -> None:
    change(client, "variant", name="a", rules=[RULE])
    draft = {"name": "half-done", "rules": ["move highest"], "about": ""}
    client.post("drafts", {"drafts": [draft]})
    second = demo_copy(song.parent / "second")
    later = client_of(second)
    later.song()
    later.desk.open(song)
    view = later.song()
    assert (view["undo"], view["redo"], view["drafts"]) == (1, 0, [draft])
    later.desk.open(second)
    view = later.song()
    assert (view["undo"], view["redo"], view["drafts"]) == (0, 0, [])


def test_a_stem_that_went_away_is_told_as_missing(client: Client, song: Path) -> None:
    view = client.song()
    (song.parent / "harp.flac").rename(song.parent / "harp.away")
    now = client.get("state").json()
    assert (now["missing_stems"], now["other_takes"]) == (["harp.flac"], [])
    body = {"set": [{"name": "title", "value": "Lamp Song"}], "revision": view["revision"]}
    refused = client.post("music", body)
    assert (refused.status_code, "harp.flac is missing" in refused.json()["error"]) == (400, True)
    (song.parent / "harp.away").rename(song.parent / "harp.flac")
    assert client.post("music", body).status_code == 200


def test_another_take_is_offered_and_never_heard_unasked(client: Client, song: Path) -> None:
    view = client.song()
    note = note_at(view, 20)
    at_s = (note["start_s"] + note["end_s"]) / 2
    add = [{"stem": "vocal", "at_s": at_s, "set": "pitch D4"}]
    view = change(client, "correct", add=add)
    assert len(view["corrections"][0]["stem_sha256"]) == 64
    assert not any("another take" in line for line in view["warnings"])
    samples, rate_hz = soundfile.read(song.parent / "vocal.flac")
    soundfile.write(song.parent / "vocal.flac", 0.5 * samples, rate_hz)
    assert client.get("state").json()["other_takes"] == ["vocal.flac"]
    assert client.song()["stems"] == view["stems"]
    body = {"add": add, "revision": view["revision"]}
    refused = client.post("correct", body)
    assert (refused.status_code, "another take" in refused.json()["error"]) == (409, True)
    loaded = client.post("reload").json()
    assert client.get("state").json()["other_takes"] == []
    (line,) = [line for line in loaded["warnings"] if "another take" in line]
    assert "1 correction was made on" in line
    assert "(pitch D4)" in line
    assert note_at(loaded, 20)["name"] == "D4"
