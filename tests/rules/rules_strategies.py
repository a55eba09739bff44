"""Every rule that can be written, as hypothesis strategies over the values of rules."""

from __future__ import annotations

from hypothesis import strategies as st

from retune.rules.model import (
    AS_SUNG,
    CADENCES,
    IN_TIME,
    KINDS,
    ROLE_WORDS,
    Interval,
    Manner,
    NamedNote,
    NoteAt,
    Rule,
    Selector,
    Target,
    Timing,
)
from retune.rules.scopes import (
    LAST,
    NOTE_VALUES,
    After,
    AtCadences,
    Beside,
    BesideRest,
    Compared,
    Except,
    FromTo,
    FromWord,
    In,
    InClosing,
    InHalf,
    InSection,
    Lasting,
    OnBeats,
    OnStrength,
    OnWord,
    Over,
    Pitched,
    Repeated,
    Span,
    Time,
    Where,
    Width,
)

STEMS = ("vocal", "bass", "harp", "Ground-2", "v_2")
CHORDS = (
    "I", "V", "V7", "v", "viio", "bVII", "V65", "viio7/V", "F", "F7", "Bb/D", "Cm7b5", "G#m",
    "F:7/3", "Bb:maj(9,#11)", "N.C.",
)  # fmt: skip
degrees = st.builds(lambda mark, digit: f"{mark}{digit}", st.sampled_from(("", "b", "#")),
                    st.integers(1, 7))  # fmt: skip
pitches = st.builds(
    lambda letter, mark, octave: f"{letter}{mark}{octave}",
    st.sampled_from("ABCDEFG"),
    st.sampled_from(("", "b", "#", "bb", "##")),
    st.sampled_from(("", "0", "3", "4", "8")),
)
sides = st.sampled_from((None, "above", "below"))
seconds = st.integers(0, 10**9).map(lambda n: Time(seconds=n / 10**6))
places = st.builds(
    lambda bar, beat: Time(bar=bar, beat=(10**6 + beat) / 10**6),
    st.integers(0, 400),
    st.integers(0, 11 * 10**6),
)
times = seconds | places


def _span(low: int, high: int, form: str) -> Span:
    low, high = sorted((low, high))
    return {
        "one": Span(low, low),
        "range": Span(low, high),
        "last": Span(LAST, LAST),
        "stepped": Span(low, LAST, min(high, 9)),
        "penultimate": Span(-2, -2),
        "final": Span(-1 - low, LAST),
    }.get(form, Span(low, LAST))


spans = st.builds(
    _span,
    st.integers(1, 400),
    st.integers(1, 400),
    st.sampled_from(("one", "range", "last", "open", "stepped", "penultimate", "final")),
)
ins = st.builds(
    In,
    st.sampled_from(("phrase", "bar", "note")),
    st.lists(spans, min_size=1, max_size=3).map(tuple),
) | st.just(In("bar", (Span(0, 0),)))


def _ordered(pair: tuple[Time, Time]) -> FromTo | None:
    first, second = pair
    if (first.seconds is None) != (second.seconds is None):
        return FromTo(first, second)
    order = sorted(pair, key=lambda time: (time.seconds or 0.0, time.bar, time.beat))
    return FromTo(*order) if order[0] != order[1] else None


from_tos = st.tuples(times, times).map(_ordered).filter(lambda scope: scope is not None)
overs = (
    st.lists(st.sampled_from(CHORDS), min_size=1, max_size=3, unique=True).map(
        lambda chords: Over(tuple(chords))
    )
    | st.just(Over())
    | st.just(Over(other_than_tonic=True))
    | st.sampled_from(("major", "minor")).map(lambda quality: Over(quality=quality))
)
titles = st.sampled_from(("chorus", "verse", "old tale", "pre-chorus", "Section 2", "up", "2"))
sections = st.builds(InSection, titles, st.just("") | st.just("last") | st.integers(1, 9).map(str))
cadences = st.lists(st.sampled_from(CADENCES), min_size=1, max_size=3, unique=True).map(
    lambda kinds: AtCadences(tuple(kinds))
)
beats = st.lists(
    st.integers(10, 99).map(lambda n: n / 10), min_size=1, max_size=3, unique=True
).map(lambda found: OnBeats(tuple(found)))
beside = st.sampled_from(("after", "before"))
widths = st.none() | st.builds(
    Width,
    st.integers(1, 4),
    st.sampled_from(("semitone", "scale step", "octave")),
    st.sampled_from(("", "more", "less")),
)
traits = (
    st.builds(Where, st.booleans(), st.sampled_from(("chord", "scale")))
    | st.booleans().map(Repeated)
    | beats
    | titles.map(OnWord)
    | st.sampled_from(("strong", "weak", "off")).map(OnStrength)
    | st.builds(
        Pitched, st.sampled_from(("higher", "lower")), st.sampled_from(("F4", "Bb3", "C#6"))
    )
    | st.builds(
        Lasting,
        st.sampled_from(("longer", "shorter", "as long")),
        st.integers(1, 64).map(lambda n: n / 4),
        st.sampled_from(("beat", "second")),
    )
    | st.builds(
        Lasting,
        st.sampled_from(("longer", "shorter", "as long")),
        st.sampled_from(tuple(NOTE_VALUES.values())),
        st.just("note"),
    )
    | st.builds(
        Compared,
        st.sampled_from(("higher", "lower", "longer", "shorter")),
        st.sampled_from(("before", "after")),
    )
)
chosen = (
    st.builds(
        Selector, st.sampled_from(KINDS), st.lists(degrees, max_size=2, unique=True).map(tuple)
    )
    | st.builds(Selector, st.sampled_from(KINDS), st.just(()), st.sampled_from(tuple(ROLE_WORDS)))
    | pitches.map(NamedNote)
)
plain_scopes = (
    ins
    | from_tos
    | overs
    | traits
    | st.builds(
        After,
        st.sampled_from(("step", "leap")),
        st.sampled_from(("", "up", "down")),
        beside,
        widths,
    )
    | st.builds(After, st.just(""), st.sampled_from(("up", "down")), beside, widths)
    | st.builds(Beside, beside, traits | chosen)
    | beside.map(BesideRest)
    | sections
    | cadences
    | st.builds(FromWord, titles, st.just("") | titles)
    | st.builds(InHalf, st.sampled_from((1, 2)), st.sampled_from(("song", "phrase")))
    | st.sampled_from(("open", "closed")).map(InClosing)
    | st.builds(FromTo, times | sections, st.none())
    | st.builds(FromTo, st.none(), times | sections)
    | st.builds(FromTo, times, sections)
)
scopes = st.lists(plain_scopes | plain_scopes.map(Except), max_size=3).map(tuple)
selectors = st.builds(
    Selector,
    st.sampled_from(KINDS),
    st.lists(degrees, max_size=3, unique=True).map(tuple),
) | st.builds(Selector, st.sampled_from(KINDS), st.just(()), st.sampled_from(tuple(ROLE_WORDS)))
whats = selectors | pitches.map(NamedNote) | times.map(NoteAt)
some_stems = st.lists(st.sampled_from(STEMS), min_size=1, max_size=3, unique=True).map(tuple)
targets = (
    st.builds(Target, st.just("degree"), degrees, sides)
    | st.builds(Target, st.just("name"), pitches, sides)
    | st.sampled_from(("resolution", "before", "after")).map(Target)
    | st.builds(Target, st.just("ending"), st.just("last") | st.integers(1, 99).map(str))
    | st.builds(Target, st.just("nearest"), st.sampled_from(("chord", "scale")), sides)
    | st.builds(
        Target, st.just("member"), st.sampled_from(("root", "third", "fifth", "seventh")), sides
    )
)
ways = st.sampled_from(("up", "down"))
intervals = (
    st.builds(Interval, ways, st.integers(1, 48).map(float), st.just("semitone"))
    | st.builds(Interval, ways, st.integers(1, 4_800_000).map(lambda n: n / 1000), st.just("cent"))
    | st.builds(Interval, ways, st.integers(1, 28).map(float), st.just("scale step"))
    | st.builds(Interval, ways, st.integers(1, 4).map(float), st.just("octave"))
)


lengths = st.builds(
    Timing,
    st.integers(1, 64 * 12).map(lambda n: round(n / 12, 6))
    | st.integers(1, 64 * 10**6).map(lambda n: n / 10**6),
) | st.builds(Timing, st.integers(1, 60 * 10**6).map(lambda n: n / 10**6), st.just("second"))
timings = lengths | times.map(lambda time: Timing(to=time))
in_all = st.integers(1, 64 * 4).map(lambda n: Timing(n / 4, in_all=True))


def timings_of(action: str) -> st.SearchStrategy[Timing]:
    """What may stand behind a verb of time."""
    return timings | in_all if action in ("hold", "shorten") else timings


manners = st.just(AS_SUNG) | st.builds(
    Manner,
    st.just(0.0) | st.integers(-99_999, 99_999).map(lambda n: n / 1000),
    st.sampled_from(("", "slow", "fast")),
    st.just(1.0) | st.integers(0, 200).map(lambda n: n / 100),
)


@st.composite
def rules(draw: st.DrawFn) -> Rule:
    """Any rule: a verb, what, where to and where."""
    action = draw(st.sampled_from(("move", "shift", "keep", *IN_TIME)))
    what = draw(whats if action in IN_TIME else whats | st.none())
    stems = draw(some_stems if what is None else some_stems | st.just(()))
    return Rule(
        action,
        stems,
        what,
        target=draw(targets) if action == "move" else None,
        interval=draw(intervals) if action == "shift" else None,
        scopes=draw(scopes),
        manner=draw(manners) if action in ("move", "shift") else AS_SUNG,
        timing=draw(timings_of(action)) if action in IN_TIME and action != "suspend" else None,
    )
