"""Words that mean the same to a rule: data for the spoken front, listed by `retune help rules`.

Each line of a table is "word: other, wordings"; the longest wording wins. Words of one table are
written in small letters, without "the" and without hyphens.
"""

from __future__ import annotations

SAME = """
every: each, all of, all, any, both, both of, always
phrase: line, musical phrase, melodic phrase
phrases: lines
bar: measure, mm., m.
bars: measures
note: pitch, tone
notes: pitches, tones
song: piece, whole song, entire song, music, whole piece
melody: tune, voice, vocal line, vocal, vocals, singer, lead, lead vocal, main voice, melody line, song line
degree: scale degree, scale step number, step number, degree number
degrees: scale degrees
last: final, closing, very last, concluding, ultimate
ending: phrase ending, phrase end, end note, end tone, end of phrase, end of every phrase, end of a phrase, phrase final note, phrase final, cadence note
endings: phrase endings, phrase ends, end notes, end tones, ends of phrases, ends of every phrase, ends of lines, end of phrases, phrase final notes, finals, cadences, cadence notes
penultimate: second to last, next to last, second last, last but one, one before last, before last, second from last, second from end, o:2 to last, o:2 last, o:2 from last, o:2 from end
antepenultimate: third to last, o:3 to last, o:3 last, last but two
highest: top, peak, topmost, uppermost, highest sounding
lowest: bottom, deepest, bottommost
longest: longest held
peaks: high points, highest points, tops
apex: high point, highest point, climax
pickup: upbeat, anacrusis, pick up, lead in
pickups: upbeats, pick ups
opening: first note of phrase, opening note, phrase opening, phrase beginning, start note, beginning note
openings: phrase openings, phrase beginnings, opening notes, beginnings, beginnings of phrases
nearest: closest, next nearest
semitone: half step, half tone, halfstep, halftone, semi tone
semitones: half steps, half tones, halfsteps, halftones, semi tones
whole: whole step, whole tone, full tone, full step, wholetone, wholestep
wholes: whole steps, whole tones, full tones
step: scale step, diatonic step
steps: scale steps, diatonic steps
neighbour: neighbor, neighboring, neighbouring, auxiliary
changing: cambiata, changing tone
nonchord: non chord, non harmonic, nonharmonic, foreign
dissonant: clashing, out of chord, outside chord, outside of chord
up: raise, raises, raised, raising, higher, upward, upwards, lift, lifts, lifted, lifting, ascend, ascends, rise, rises, bump up, upper, push up, move up, go up, transpose up, increase, heighten, take up, bring up, augment, climb, climbs
down: lower, lowers, lowered, lowering, deeper, downward, downwards, drop, drops, dropped, descend, descends, fall by, falls by, sink, sinks, push down, bring down, take down, move down, decrease, diminish
sharpen: sharp, sharpens, sharpened, sharps
flatten: flat, flattens, flattened, flats, flatted
keep: leave, keeps, leaves, preserve, protect, retain, freeze, stays, stay, remain, remains, do not touch, do not change, do not move, do not alter, do not modify, never change, never touch, never move, never alter, not change, not touch, not move, unchanged, untouched, alone, as is, as it is, as they are, as it was, as they were, same, in place, should not move, should not change
hold: holds, sustain, sustains, sustained, extend, extends, extended, lengthen, lengthens, prolong, prolongs, stretch, stretches, longer, held, elongate, draw out
shorten: shortens, shorter, shortened, cut short, cut off, trim, clip, cut, cuts, truncate, short
delay: delays, delayed, postpone, postpones, later, late, push back, hold back, lag, put off, retard
earlier: early, anticipate, anticipates, advance, sooner, ahead, forward
suspend: suspends, suspended, suspending
swap: exchange, interchange, switch, swaps, switches, trade, trades, exchanges
resolve: resolves, resolved, resolving
end: ends, ended, finish, finishes, finished, finishing, close, closes, closed, conclude, concludes, land, lands, landing, stop, stops, cadence, come to rest, rest, arrive, arrives, terminate
begin: begins, start, starts, beginning, starting, began, open, opens
copy: copies, repeat, repeats, duplicate
to: into, onto, ->, →, =>, becomes, become, equal, equals, instead be, go to, goes to, reach, reaches, towards, toward
except: but not, excluding, apart from, other than, save for, save, besides, but, except for, aside from, without, excepting, exclude
over: above chord, against, on top of, under, beneath
where: wherever, whenever, when, if, while, in case
is: are, was, were, it is, they are, happens to be
in: during, within, inside, throughout
only: just, solely
before: preceding, previous
after: following, next
beat: count
odd: odd numbered
even: even numbered
chord: harmony
chords: harmonies
"""

FREE = """
please, kindly, simply, now, then, can you, could you, would you, will you, can we, could we, i want you to,
i want to hear, i want to, i want, i would like you to, i would like to hear, i would like to, i would like, we want to, we want,
we would like to, i wish, let us, try to, try, go ahead and, hey, ok, okay, also, hmm, well, so, actually,
maybe, perhaps, what if, what would happen if, what happens if, suppose, imagine, how would it sound if, how about,
make, makes, let, lets, have, has, having, set, sets, put, puts, place, get, gets, take, takes, bring, brings, send, sends,
move, moves, moved, change, changes, turn, turns, transform, convert, modify, alter, adjust, correct, pull, push, go, goes, going, went, come, comes, coming, be, being, been,
should, must, shall, will, would, could, can, may, might, ought to, needs to, need to, has to, have to, want, wants,
sing, sings, sung, singing, play, plays, played, use, give, replace, replaces, replaced, substitute, transpose, transposed, shift, shifts, sound, sounds, hear, render, do it so that,
it, they, them, that, which, who, itself, by, of, on, at, to, for, in, with, from, and, a, an, my, our, your, their, its, this, these, those, there, here,
is, instead, every, whole, entire, right away, immediately, exactly, directly, straight, simply, everywhere, time, every time, only, me, we, us, you, i, enter, enters, occur, occurs, appear, appears, happen, happens, jump, jumps, fall, falls, part, stem, track, existing, current, original, own, more, extra, additional, number, where
"""
