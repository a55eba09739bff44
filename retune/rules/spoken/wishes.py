"""What people ask for that rules cannot do, and what to do instead."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from retune.rules.spoken.sentence import Sentence

# (words asked for, what to say, sentences that come near)
_WISHES: tuple[tuple[str, str, tuple[str, ...]], ...] = (
    (
        r"middle notes?",
        "a note amid a phrase is told by its number, its bar:beat or its word",
        (
            "shift phrase-third note up 1 scale step in phrase 1",
            "shift note at 2:3 up 1 scale step",
        ),
    ),
    (
        r"alternat\w+(?: between)?(?: .*)?",
        "what alternates is two rules, one for the odd phrases and one for the even",
        (
            "move phrase-ending note to degree 5 in phrases odd",
            "move phrase-ending note to degree 1 in phrases even",
        ),
    ),
    (
        r"leadinto(?: .*)?",
        "name the bars, or the phrase, that lead into a section",
        (
            "shift every note up 1 scale step in bars 7-8",
            "shift phrase-ending note up 1 scale step in phrase 2",
        ),
    ),
    (
        r"an? (?:\w+ )?end (?:before|after|between)",
        "a rest is made by shortening the note before it",
        ("shorten phrase-penultimate note by 0.5 beats", "shorten phrase-ending note by 1 beat"),
    ),
    (
        r"picardy(?: o:3s?)?",
        "the third of a chord is in the stem that plays it; that of the melody is raised so",
        ("shift phrase-ending chord third up 1 semitone in phrase last",),
    ),
    (
        r"o:[2-9] notes? (?:of|in) (?:every )?bars?",
        "in every bar a note is told by its beat, or is its first or last",
        (
            "shift every note up 1 scale step on beat 3",
            "shift every note up 1 scale step on beat 1",
        ),
    ),
    (
        r"breathe?s?|breathing|(?:take )?a breath",
        "a breath is made by shortening the note before it",
        (
            "shorten phrase-ending note by 0.5 beats",
            'shorten every note by 0.5 beats on word "now"',
        ),
    ),
    (
        r"(?:leaps?|jumps?|skips?|steps?) (?:into|to) (?:an? )?(?:step|leap|jump|skip)s?",
        "say where the note after it goes",
        (
            "shift every note down 1 scale step after a leap up",
            "move every note to note before after a leap",
        ),
    ),
    (
        r"(?:step|semitone|whole|octave|an? o:\d)s? (?:below|above|under|over|down|up) "
        r"(?:than )?(?:tonic|home|o:\d|dominant|leading|root)",
        "name the degree itself: a step below the tonic is 7, a step above it 2",
        ("move phrase-ending note to degree 7 below", "move phrase-ending note to degree 2 above"),
    ),
    (
        r"help|what can|how do|how can|how to|commands?",
        "say which notes, and where they go or how far; all words are under help rules",
        ("move phrase-ending note to degree 1", "shift every note up 1 scale step in phrase 2"),
    ),
    (
        r"undo|redo|reset|revert|take it back|original again",
        "a rule is undone by deleting its line",
        (),
    ),
    (
        r"(?:perfect|authentic|full|half|plagal|deceptive|imperfect) (?:1s|end|endings)$|"
        r"(?:to|into) (?:a |an )?(?:perfect|authentic|full|half|plagal|deceptive|imperfect)",
        "a cadence is made by its chords: move the ending of the melody, and the bass in its bar",
        ("move phrase-ending note to degree 1", "shift bass up 5 semitones in bar 16"),
    ),
    (
        r"(?:to|in|into) n:[A-G][b#]* (?:major|minor)|key (?:to|of|into)|"
        r"(?:new|different|another|other) key",
        "a key is reached by an interval: say how far every stem goes",
        ("shift every note up 2 semitones",),
    ),
    (
        r"(?:with|to|into|by|for) (?:an? )?(?:i|ii|iii|iv|v|vi|vii)o?7?(?: chord)?",
        "harmony moves by stems: say which stem, how far and in which bars",
        ("shift bass up 5 semitones in bar 16", "shift bass down 2 semitones in bars 3-4"),
    ),
    (
        r"(?:in|on|by) (?:its )?(?:approach|way) to .*|leading (?:in)?to .*|"
        r"(?:where|before) (?:it|they) (?:precedes?|comes? before) .*|"
        r"(?:where|before) (?:it|they) (?:into|(?:lead|move|resolve)s? to) .*",
        "say which note comes next by its degree, its name or its word",
        (
            "move every degree 4 to degree #4 before every degree 5",
            "shift every note up 1 semitone before note F4",
        ),
    ),
    (
        r"repeated|repetitions?|repeating|restruck|(?:2|3) times in a row",
        "a repeated note has the pitch of the one before it",
        (
            "shift every note up 1 scale step where it is a repeated note",
            "shift every note up 1 scale step before a note where it is a repeated note",
        ),
    ),
    (
        r"quantize|quantise|grid|tighten",
        "notes are moved in time by beats, or to a bar:beat",
        ("delay phrase-ending note by 0.25 beats", "delay note at 9:1 to 9:2"),
    ),
    (
        r"(?:re)?harmoni[sz]e.* different.*|reharmoni[sz]e.*",
        "harmony moves by stems: say which stem, how far and in which bars",
        ("shift bass up 5 semitones in bar 16", "shift bass down 2 semitones in bars 3-4"),
    ),
    (
        r"with (?:an? )?(?:\w+ )?(?:approach|leap|jump|step|up|down)|approach",
        "say where the note goes, not how it is reached",
        ("move phrase-ending note to degree 1 below", "move phrase-ending note to degree 1 above"),
    ),
    (
        r"(?:up|down|hold|shorten) than (?:in |at )?"
        r"(?:note|that|those|its|1|2|phrase|before|penultimate|first|last|o:\d)",
        "a note is compared with the one beside it only: say where it goes, or how far",
        ("shift phrase-ending note down 1 scale step", "move phrase-ending note to note before"),
    ),
    (
        r"trills?|mordents?|grace notes?|ornaments?|melisma|riffs?|staccato|legato|accents?|"
        r"articulated?|articulation|marcato",
        "notes are moved, held and shortened; ornaments and articulation are not made",
        ("shorten every note by 0.5 beats", "hold phrase-ending note 1 beat longer"),
    ),
    (
        r"mistuned|wrong|in tune|out of tune|pitchy|"
        r"mistakes?",
        "say which notes, and where they go or how far",
        ("move note at 9:1 to F4", "shift phrase-ending note up 20 cents"),
    ),
    (
        r"not (?:\w+ )?(?:resolve|end|come home|close)(?! (?:on|at|with))",
        "say where the notes go instead; 2 and 7 are left open, 5 a little",
        ("move phrase-ending note to degree 2", "move phrase-ending degree 1 to degree 7 below"),
    ),
    (
        r"(?:on|to|into) [b#]?(?:9|11|13)(?:th)?|sus [24]|sus[24]|add9",
        "a chord has root, third, fifth and seventh here; its other notes are named by degree",
        ("move phrase-ending note to chord seventh", "move phrase-ending note to degree 2"),
    ),
    (
        r"dorian|mixolydian|lydian|phrygian mode|pentatonic|blues|bluesy|jazzy",
        "name the degrees that would sound so: b7 for mixolydian, b3 and b7 for dorian and blues, "
        "#4 for lydian",
        ("shift every degree 7 down 1 semitone", "shift every degree 3, 7 down 1 semitone"),
    ),
    (
        r"faster|slower|slow|tempo|speed|bpm|quicker|quickly|rubato|swing|rit|ritard|ritardando|"
        r"accelerando|fermata",
        "the tempo stays as it is; notes can be held, shortened, delayed or brought earlier",
        ("hold phrase-ending note 1 beat longer", "delay phrase-ending note by 1 beat"),
    ),
    (
        r"louder|quieter|softer|volume|loud|soft|mute|muted|silence|crescendo|"
        r"decrescendo|diminuendo|forte|piano|fade|fade out|gain|solo|turn off",
        "rules move pitch and time; the level of a stem is gain_db in the song file",
        (),
    ),
    (
        r"keep out|(?:take|keep|cut|throw) (?:\S+ ){1,4}out|"
        r"away|disappears?|vanish|delete[ds]?|removed?|erased?|omit(?:ted)?|skip(?:ped)?|"
        r"add(?:ed)?|insert(?:ed)?|twice|again|loop(?:ed)?|copy|copied|repeated twice|"
        r"extra note|"
        r"double[ds]?|doubling|harmoni[sz](?:e[ds]?|ing)|in parallel|parallel (?:o:\d+|\w+)|"
        r"harmony part|an? chord an? o:\d.*",
        "rules move notes that were sung; none is added or taken away",
        ("move phrase-ending note to degree 1", "shorten phrase-ending note by 1 beat"),
    ),
    (
        r"reverb|timbre|breath|breathy|brighter|darker|echo|effect|autotune|tune up",
        "rules move pitch and time; the sound of the voice stays",
        (),
    ),
    (
        r"(?:like|same|copy|alike)(?: \S+){0,5} (?:except|but|only)(?: \S+)? "
        r"(?:a|an|1|half|\d+|up|down|in).*|sequences?|sequenced|transposed copy",
        "a phrase is not copied into another; its own notes move, and it can end as another does",
        (
            "shift every note up 1 scale step in phrase 2",
            "move phrase-ending note to ending of phrase 1 in phrase 2",
        ),
    ),
    (
        r"(?:minor|major|diminished|augmented|o:7) chords?",
        "name the chords",
        ("shift every chord third down 1 semitone over ii or vi",),
    ),
    (
        r"minor|sad|sadder|darker|melancholic|gloomy",
        "name the notes that would sound so; for a minor colour lower the third",
        ("move every degree 3 to degree b3", "move phrase-ending note to degree 2"),
    ),
    (
        r"major|happy|happier|brighter|cheerful|joyful",
        "name the notes that would sound so, such as a rising end",
        ("move phrase-ending note to degree 1", "move phrase-ending note to degree 3 above"),
    ),
    (
        r"incomplete|unfinished|more open|open|suspense|cliffhanger|cliff hanger|question mark|"
        r"(?:less|not so|not too) (?:resolve|resolved|end|final|last|finished|closed|complete)|"
        r"tension|tense|unresolved",
        "say where the endings go; 2 and 7 are left open, 5 a little",
        ("move phrase-ending note to degree 2", "move phrase-ending note to degree 5"),
    ),
    (
        r"better|nicer|beautiful|exciting|smooth|smoother|dramatic|emotional|fun|crazy|weird|"
        r"interesting|good|best|cool|finished|closed|final|resolved|"
        r"surprise|surprising|complete",
        "say which notes, and where they go; variants worth hearing are under suggest",
        (
            "move phrase-ending note to degree 1",
            "move phrase-ending note to degree 2 in phrase last",
        ),
    ),
    (
        r"around|in reverse|back to front|"
        r"retrograde|invert|inversion|mirror|reverse|backwards|upside|contour|retrograded?|inverted",
        "a rule moves notes to a pitch or by an interval; it does not turn a melody round",
        ("move every degree 1 to degree 5", "move every degree 5 to degree 1"),
    ),
    (
        r"where [^,]* (?:to|into|up|down|follow|follows|leads|after|before) [^,]*,",
        "say which note comes next, or came before, by its degree, its name or its word",
        (
            "move every degree 7 to degree 5 below before every degree 1",
            "shift every note down 1 scale step after every degree 7",
        ),
    ),
    (
        r"key (?:change|lift)|modulates?|modulation|change of key|new key",
        "a change of key moves every stem: a rule for the melody and one for each other stem",
        ("shift every note up 2 semitones from 17:1 on",),
    ),
    (
        r"chords?|accompaniment|backing|band",
        "harmony moves by stems: say which stem, how far and in which bars",
        ("shift bass up 5 semitones in bar 16", "shift bass down 2 semitones in bars 3-4"),
    ),
    (
        r"half of|o:\d part|(?:first|last|middle) part|middle of|in middle",
        "there are halves of the song and of phrases; else say which bars, phrases or section",
        (
            "shift every note up 1 scale step in second half of song",
            "shift every note up 1 scale step in bars 5-8",
        ),
    ),
)


@dataclass(frozen=True)
class Wish:
    """What to say of a wish that rules cannot do, and sentences that come near it; `first` to
    `last` are the words that ask for it."""

    says: str
    examples: tuple[str, ...]
    first: int
    last: int


def wish_in(sentence: Sentence, unknown: Sequence[int] = ()) -> Wish | None:
    """The wish of a sentence. Where certain words are all that was not understood, it has to be in
    one of them."""
    for words, says, examples in _WISHES:
        for match in re.finditer(rf"(?:^|(?<= ))(?:{words})(?= |$)", sentence.text):
            first = sentence.index_at(match.start())
            last = sentence.index_at(max(match.end() - 1, match.start()))
            if not unknown or any(first <= place <= last for place in unknown):
                return Wish(says, examples, first, last)
    return None


_PARTS = re.compile(
    r"(?:soprano|mezzo|alto|tenor|baritone|guitar|guitarist|piano|pianist|keys|keyboard|organ|"
    r"strings?|violin|viola|cello|flute|clarinet|sax|saxophone|trumpet|horn|brass|drum|drummer|"
    r"percussion|synth|pad|harp|bassist|band|orchestra|descant)s?",
    re.IGNORECASE,
)


def no_stem(word: str, stems: Sequence[str]) -> str:
    """What to add of a word that is that of a voice or an instrument: which stems there are."""
    if not stems or not _PARTS.fullmatch(word):
        return ""
    return f": no stem is called so; there are {', '.join(stems)}"
