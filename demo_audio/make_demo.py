"""Make the demo song: four stems, the tables of truth and the speech-sound lengths.

    python demo_audio/make_demo.py                 everything, into this folder
    python demo_audio/make_demo.py --truth-only    the tables alone, from phones.json
    python demo_audio/make_demo.py --out /tmp/x    into another folder

The audio needs Debian's festival, festvox-us-slt-hts, fluidsynth and fluid-soundfont-gm
and the wheels of ``demo_audio/README.txt``; the tables need numpy alone.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np
from lantern_band import bass_notes
from lantern_performance import Performance, SpokenPhone, perform
from lantern_score import words_of_phrase, written_melody
from lantern_truth import truth_tables
from numpy.typing import NDArray

HERE = Path(__file__).resolve().parent
SEED = 92
RATE_HZ = 44100
# Integrated loudness of each file; mixed with all gains at 0 dB, a mono stem sounding from
# both sides (3 dB louder), they make about -20 LUFS.
LEVEL_LUFS = {"vocal": -24.0, "harp": -29.0, "bass": -31.0, "brushes": -41.0}
HIGHEST_PEAK_DB = -3.0

Phones = dict[int, list[SpokenPhone]]


def load_phones(path: Path) -> Phones:
    """The speech sounds of each phrase as the synthesiser spoke them."""
    table = json.loads(path.read_text(encoding="utf-8"))
    return {int(phrase): [SpokenPhone(*row) for row in rows] for phrase, rows in table.items()}


def save_phones(path: Path, phones: Phones) -> None:
    """Keep the speech sounds, one a line, so that the tables can be made without speech."""
    blocks = []
    for phrase, sounds in phones.items():
        rows = [json.dumps([s.name, s.start_s, s.end_s, s.word]) for s in sounds]
        blocks.append(f'"{phrase}": [\n  ' + ",\n  ".join(rows) + "\n]")
    path.write_text("{\n" + ",\n".join(blocks) + "\n}\n", encoding="utf-8")


def write_truth(out: Path, performance: Performance) -> None:
    """Write every table of truth into a folder."""
    for name, text in truth_tables(performance, bass=bass_notes(SEED)).items():
        (out / name).write_text(text, encoding="utf-8")


def _level(name: str, samples: NDArray[np.float64]) -> NDArray[np.float64]:
    """Bring a stem, DC removed, to its loudness; refuse one that peaks too high."""
    import pyloudnorm

    centred = samples - samples.mean(axis=0)
    meter = pyloudnorm.Meter(RATE_HZ, filter_class="DeMan")
    gain_db = LEVEL_LUFS[name] - meter.integrated_loudness(centred)
    levelled = centred * 10 ** (gain_db / 20)
    peak_db = 20 * np.log10(np.abs(levelled).max())
    if peak_db > HIGHEST_PEAK_DB:
        raise ValueError(f"{name} would peak at {peak_db:.1f} dBFS: lower its LEVEL_LUFS")
    print(f"{name:8} {LEVEL_LUFS[name]:6.1f} LUFS, peak {peak_db:6.1f} dBFS")
    return np.asarray(levelled)


def write_audio(out: Path) -> Performance:
    """Speak, sing, play and write the four stems; returns the performance sung."""
    import soundfile
    from lantern_instruments import play_bass, play_brushes, play_harp
    from lantern_voice import sing, speak

    phrases = range(1, written_melody()[-1].phrase + 1)
    spoken = {phrase: speak(words_of_phrase(phrase)) for phrase in phrases}
    phones = {phrase: sounds for phrase, (_, sounds) in spoken.items()}
    save_phones(out / "phones.json", phones)
    performance = perform(phones, seed=SEED)
    vocal = sing(performance, {p: samples for p, (samples, _) in spoken.items()}, seed=SEED)
    stems = {
        "vocal": vocal[:, None],
        "bass": play_bass(SEED),
        "harp": play_harp(SEED),
        "brushes": play_brushes(SEED),
    }
    for name, samples in stems.items():
        path = out / f"{name}.flac"
        levelled = _level(name, samples)
        soundfile.write(path, levelled, RATE_HZ, subtype="PCM_16", compression_level=1.0)
    return performance


def main() -> None:
    """Read the command line and make what it asks for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=HERE, help="folder to write to")
    parser.add_argument("--truth-only", action="store_true", help="tables only, no audio")
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    if options.truth_only:
        performance = perform(load_phones(HERE / "phones.json"), seed=SEED)
    else:
        performance = write_audio(options.out)
    write_truth(options.out, performance)


if __name__ == "__main__":
    main()
