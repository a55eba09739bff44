"""The song over the wire: facts, plans line by line, changed sound, pictures, stems."""

from __future__ import annotations

import io
import itertools

import numpy as np
import pytest
import soundfile
from web_client import RULE, Client, client_of, demo_copy, unpacked

from retune import pipeline


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Client:
    return client_of(demo_copy(tmp_path_factory.mktemp("song")))


def test_the_song_is_told_whole(client: Client) -> None:
    song = client.song()
    assert song["title"] == "Lantern Song"
    assert song["key_name"] == "B♭ major"
    assert song["n_bars"] == 24
    assert [stem["name"] for stem in song["sound"]] == ["vocal", "bass", "harp", "brushes"]
    assert len(song["stems"]["vocal"]["phrases"]) == 6
    assert song["given"]["first_downbeat_s"] == "1.3"
    assert (song["undo"], song["redo"]) == (0, 0)


def test_a_rule_that_does_not_read_leaves_the_others_working(client: Client) -> None:
    lines = [RULE, "", "keep phrase-ending degre 4", "# a remark"]
    plan = client.post("plan", {"rules": lines}).json()
    first, empty, wrong, remark = plan["lines"]
    assert first["canonical"] == RULE
    assert first["effect"].startswith("Moves 2 notes: bars ")
    assert empty == remark == {"canonical": "", "effect": "", "fault": None}
    assert wrong["fault"]["column"] == lines[2].index("degre")
    assert wrong["fault"]["length"] == len("degre")
    assert wrong["fault"]["nearest"] == "degree"
    assert len(plan["edits"]) == 2


def test_rows_tell_the_ending_before_and_after(client: Client) -> None:
    rows = client.post("plan", {"rules": [RULE]}).json()["rows"]
    assert [(r["before"], r["after"], r["words"]) for r in rows] == [
        ("open", "at rest", "at rest"),
        ("open", "open", "still open"),
    ]
    assert rows[0]["from"] == "C4"
    assert rows[0]["to"] == "B♭3"
    assert rows[0]["how"] == "2 → 1, 2 semitones down"
    assert rows[0]["over"] == {"roman": "I", "name": "B♭"}


@pytest.mark.parametrize("kind", ["variant", "matched-control"])
@pytest.mark.parametrize(
    "rules",
    [
        [RULE],
        ["shift vocal up 2 scale steps in phrases 1-2"],
        [RULE, "shift bass, harp up 5 semitones in bar 16"],
    ],
)
def test_pieces_are_the_whole_rendering_sample_for_sample(
    client: Client, rules: list[str], kind: str
) -> None:
    """Rendered cluster by cluster and in any order, the stems are the very ones that rendering
    the plan at once gives."""
    patches: list[tuple[str, int, np.ndarray]] = []
    known: list[str] = []
    for _ in range(60):
        ask = {"rules": rules, "kind": kind, "known": known, "from_s": 20.0}
        head, got = unpacked(client.post("sound", ask).content)
        known += [piece["key"] for piece in head["pieces"] if piece["patches"] is not None]
        patches += got
        if head["whole"]:
            break
    opened = client.desk.handle
    plan = client.desk.plan(rules)
    run = pipeline.render if kind == "variant" else pipeline.render_control
    want = run(opened, plan=plan).stems if kind == "variant" else run(opened, plan).stems
    assert {stem for stem, _, _ in patches} == set(want)
    for name, rendition in want.items():
        audio = opened.audio[name]
        heard = np.array(audio.read())
        for stem, start, samples in patches:
            if stem == name:
                heard[start : start + len(samples)] = samples
        assert np.array_equal(heard, rendition.apply(audio)), name


def test_known_pieces_travel_without_samples(client: Client) -> None:
    first = client.post("sound", {"rules": [RULE]})
    head, patches = unpacked(first.content)
    keys = [piece["key"] for piece in head["pieces"]]
    assert patches
    again = client.post("sound", {"rules": [RULE], "known": keys})
    assert [piece["patches"] for piece in unpacked(again.content)[0]["pieces"]] == [None] * len(
        keys
    )
    assert len(again.content) < 2000 < len(first.content)


def test_levels_match_the_original(client: Client) -> None:
    none = client.post("levels", {"rules": []}).json()
    assert none["version_db"] == none["original_db"]
    moved = client.post("levels", {"rules": [RULE]}).json()
    assert abs(moved["version_db"] - moved["original_db"]) < 0.5
    assert moved["loudness_lufs"] == pytest.approx(none["loudness_lufs"], abs=0.02)


def test_the_picture_has_no_style_of_its_own(client: Client) -> None:
    got = client.post("picture", {"rules": [RULE], "name": "home", "width": 1200, "font": 15})
    svg = got.json()["svg"]
    assert svg.startswith("<svg ")
    assert "<style" not in svg
    assert "style=" not in svg
    assert "still open" in svg
    assert ".lane " in got.json()["css"]


def test_words_to_go_on_with(client: Client) -> None:
    words = client.post("complete", {"text": "move phr"}).json()["words"]
    assert words[0] == "phrase-ending"
    assert client.post("complete", {"text": "shift v", "cursor": 7}).json()["words"] == ["vocal"]


def test_where_a_note_may_go(client: Client) -> None:
    """B flat major, bar 8 over I: an octave each way, with degree and what it is of the chord."""
    found = client.post("choices", {"note": 20}).json()
    assert (found["midi"], found["place"], found["chord"]) == (60, "8:1", "B♭")
    assert [p["midi"] for p in found["pitches"]] == list(range(48, 73))
    by_midi = {
        p["midi"]: (p["name"], p["degree"], p["member"], p["in_scale"]) for p in found["pitches"]
    }
    assert by_midi[58] == ("Bb3", "1", "root", True)
    assert by_midi[62] == ("D4", "3", "third", True)
    assert by_midi[63] == ("Eb4", "4", "", True)
    assert by_midi[61][2:] == ("", False)
    assert client.post("choices", {"note": 2000}).status_code == 400


def test_the_place_of_every_note_finds_it_again(client: Client) -> None:
    for note in client.song()["stems"]["vocal"]["notes"]:
        place = client.post("choices", {"note": note["index"]}).json()["place"]
        plan = client.post("plan", {"rules": [f"shift note at {place} up 1 semitone"]}).json()
        assert note["index"] in [edit["note"] for edit in plan["edits"]]


def test_how_a_note_is_sung_joins_its_rule(client: Client) -> None:
    asked = {"rule": "move note at 8:1 to Eb4 in phrase 2", "cents": -20, "glide": "slow"}
    told = client.post("manner", asked).json()["rule"]
    assert told == "move note at 8:1 to Eb4 20 cents flat with a slow glide in phrase 2"
    plain = client.post("manner", {"rule": told}).json()["rule"]
    assert plain == asked["rule"]
    for wrong in (
        {"glide": "odd"},
        {"cents": 300},
        {"rule": "keep note at 8:1"},
        {"vibrato": -1},
        {"formants": "odd"},
        {"tail": "odd"},
    ):
        assert client.post("manner", {**asked, **wrong}).status_code in (400, 422)
    plan = client.post("plan", {"rules": [told]}).json()
    assert plan["edits"][0]["shift_cents"] == 280
    assert any("no note runs into it" in line for line in plan["warnings"])
    notes = client.song()["stems"]["vocal"]["notes"]
    sung_into = next(b for a, b in itertools.pairwise(notes) if a["end_s"] == b["start_s"])
    place = client.post("choices", {"note": sung_into["index"]}).json()["place"]
    how = "with a slow glide without vibrato with moved formants"
    rule = f"shift note at {place} up 2 semitones {how}"
    edit = client.post("plan", {"rules": [rule]}).json()["edits"][0]
    assert (edit["glide"], edit["vibrato"], edit["formants"]) == ("slow", 0, "moved")


def test_a_stem_comes_sample_for_sample(client: Client) -> None:
    got = client.get("stem?name=vocal")
    heard, rate = soundfile.read(io.BytesIO(got.content), dtype="float32", always_2d=True)
    assert rate == client.desk.opened.rate_hz
    assert np.array_equal(heard, client.desk.opened.audio["vocal"].read())


def test_a_stem_is_sent_in_parts_when_asked(client: Client) -> None:
    whole = client.get("stem?name=bass").content
    part = client.get("stem?name=bass", headers={"range": "bytes=100-199"})
    assert part.status_code == 206
    assert part.content == whole[100:200]


def test_what_the_song_offers(client: Client) -> None:
    offered = client.post("suggest").json()["variants"]
    assert offered
    for variant in offered:
        plan = client.post("plan", {"rules": variant["rules"]}).json()
        assert plan["edits"], variant["name"]
        assert all(line["fault"] is None for line in plan["lines"])


def test_wrong_fields_are_told_by_name(client: Client) -> None:
    for path, body, word in [
        ("plan", {"rules": "x"}, "rules"),
        ("sound", {"rules": [], "kind": "louder"}, "kind"),
        ("picture", {"width": "wide"}, "width"),
        ("picture", {"bars": [1]}, "bars"),
        ("picture", {"bars": [5, 900]}, "bars"),
        ("complete", {}, "text"),
        ("make", {"what": "coffee"}, "coffee"),
        ("task/stop", {"id": "77"}, "77"),
    ]:
        answer = client.post(path, body)
        assert answer.status_code == 400, (path, answer.text)
        assert word in answer.json()["error"]
