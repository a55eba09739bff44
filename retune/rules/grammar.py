"""The grammar of a rule over the words of `rules.words`: LALR(1), one reading a sentence."""

from __future__ import annotations

GRAMMAR = r"""
rule: MOVE what TO target off_pitch? (scope | manner)*   -> move
    | SHIFT what interval off_pitch? (scope | manner)*   -> shift
    | KEEP what scope*                  -> keep
    | HOLD what (length LONGER | TO TIME | TO whole) scope*  -> hold
    | SHORTEN what (BY length | TO TIME | TO whole) scope*   -> shorten
    | DELAY what (BY length | TO TIME) scope*        -> delay
    | BRING what (length EARLIER | TO TIME) scope*   -> bring
    | SUSPEND what scope*               -> suspend

what: stems                             -> stems_whole
    | stems? selector                   -> chosen
    | stems? NOTE PITCH                 -> named
    | stems? NOTE AT TIME               -> at

stems: STEM (SEP STEM)*
selector: kind NOTE?                    -> any_note
    | kind DEGREE degrees               -> by_degree
    | kind role                         -> by_role
    | LAST NOTE OF phrases              -> ending_of
    | FIRST NOTE OF phrases             -> opening_of
!kind: PHRASE_ENDING | PHRASE_OPENING | PHRASE_DOWNBEAT | PHRASE_PENULTIMATE | PHRASE_PICKUP
    | PHRASE_ANTEPENULTIMATE
    | PHRASE_SECOND | PHRASE_THIRD | PHRASE_FOURTH
    | EVERY | HIGHEST | LOWEST | LONGEST | SHORTEST
    | SONG_HIGHEST | SONG_LOWEST | SONG_LONGEST | SONG_SHORTEST
    | BAR_OPENING | BAR_ENDING | BAR_HIGHEST | BAR_LOWEST | BAR_LONGEST | BAR_SHORTEST
!role: ROLE                             -> sole_role
    | ROLEKIND NOTE                     -> kind_of_note
    | CHORD member                      -> member_role
phrases: PHRASE spans                   -> these
    | LAST PHRASE                       -> last_one
    | EVERY PHRASE                      -> all_of_them

degrees: degree (SEP degree)*
degree: NUMBER | DEGREENAME

target: DEGREE degree side?             -> to_degree
    | TONIC side?                       -> to_tonic
    | PITCH side?                       -> to_name
    | NEAREST (CHORD | SCALE) TONE side?  -> to_nearest
    | CHORD member side?                -> to_member
    | ITS RESOLUTION                    -> to_resolution
    | NOTE BEFORE                       -> to_note_before
    | NOTE AFTER                        -> to_note_after
    | ENDING OF PHRASE span             -> to_ending
!member: ROOT | MEMBER
!side: ABOVE | BELOW

interval: way amount | amount way
!way: UP | DOWN
amount: NUMBER unit                     -> counted
    | A unit                            -> single
    | A (ORDINAL | MEMBER)              -> named_interval
unit: SEMITONE                          -> semitone
    | CENT                              -> cent
    | SCALE STEP                        -> scale_step
    | OCTAVE                            -> octave

off_pitch: NUMBER CENT (FLAT | SHARP)
manner: WITH A? (SLOW | FAST) GLIDE       -> glide
    | WITH NUMBER PERCENT VIBRATO       -> vibrato
    | WITH HALF VIBRATO                 -> half_vibrato
    | WITHOUT VIBRATO                   -> no_vibrato
    | WITH MOVED FORMANT                -> moved_formants
    | WITH ITS TAIL                     -> with_tail

whole: NUMBER BEAT                  -> in_all

length: NUMBER BEAT                     -> beats
    | HALF A BEAT                       -> half_beat
    | A BEAT                            -> one_beat
    | TIME                              -> seconds

?scope: IN PHRASE spans                 -> in_phrases
    | IN LAST PHRASE                    -> in_last
    | IN BAR spans                      -> in_bars
    | IN SECTION TITLE which?           -> in_section
    | AT cadences CADENCE               -> at_cadences
    | IN NOTE spans                     -> in_notes
    | IN (FIRST | ORDINAL) HALF OF (SONG | PHRASE)   -> in_half
    | IN (OPEN | CLOSED) PHRASE         -> in_closing
    | FROM moment TO moment             -> from_to
    | FROM moment ON                    -> from_on
    | FROM WORD TITLE TO WORD TITLE     -> from_word
    | FROM WORD TITLE ON                -> from_word
    | UNTIL moment                      -> until
    | OVER chords                       -> over
    | OVER (MAJOR | MINOR) CHORD        -> over_quality
    | trait
    | beside A (STEP | LEAP) (UP | DOWN)? width?  -> after
    | beside A (RISE | FALL) width?     -> after
    | beside A REST                     -> beside_rest
    | beside A NOTE trait               -> beside_trait
    | beside kind NOTE?                 -> beside_any
    | beside kind DEGREE degrees        -> beside_degree
    | beside kind role                  -> beside_role
    | beside NOTE PITCH                 -> beside_named
    | OVER TONIC CHORD                  -> over_tonic
    | OVER OTHER THAN TONIC CHORD       -> over_other
    | EXCEPT scope                      -> except_scope
    | EXCEPT LAST PHRASE                -> except_last
trait: ON BEAT NUMBER (SEP NUMBER)*     -> on_beats
    | ON (STRONG | WEAK) BEAT           -> on_strength
    | OFF BEAT                          -> off_beat
    | ON WORD TITLE                     -> on_word
    | (HIGHER | LOWER) THAN PITCH       -> pitched
    | (LONGER | SHORTER) THAN (length | A? VALUE)  -> lasting
    | LASTING (length | A? VALUE)       -> lasting
    | (HIGHER | LOWER | LONGER | SHORTER) THAN NOTE (BEFORE | AFTER)  -> compared
    | WHERE IT IS NOT? A (CHORD | SCALE) TONE  -> where
    | WHERE IT IS NOT? A REPEATED NOTE  -> where_repeated
!beside: AFTER | BEFORE
width: OF amount (SEP (MORE | LESS))?
moment: TIME                            -> at_time
    | SECTION TITLE which?              -> at_section
chords: CHORDLABEL (SEP CHORDLABEL)*
spans: span (SEP span)*
span: NUMBER | RANGE | LAST | PENULTIMATE | ODD | EVEN
    | RANGE STEP NUMBER                 -> stepped
    | FINAL NUMBER                      -> final
which: NUMBER | LAST
cadences: cadence (SEP cadence)*
!cadence: PERFECT? AUTHENTIC | IMPERFECT AUTHENTIC | PHRYGIAN? HALF | PLAGAL | DECEPTIVE

%declare MOVE SHIFT KEEP TO IN FROM OVER EXCEPT NOT WHERE IT IS A CHORD TONE TONIC OTHER THAN
%declare NEAREST ABOVE BELOW UP DOWN NOTE AT DEGREE PHRASE BAR LAST FIRST OF EVERY HIGHEST LOWEST
%declare LONGEST PHRASE_ENDING PHRASE_OPENING PHRASE_DOWNBEAT SEMITONE CENT SCALE STEP OCTAVE ROOT
%declare HOLD SHORTEN DELAY BRING SUSPEND BY LONGER EARLIER
%declare MEMBER ORDINAL SEP STEM PITCH TIME NUMBER DEGREENAME RANGE CHORDLABEL TITLE
%declare PHRASE_PENULTIMATE PHRASE_PICKUP PHRASE_SECOND PHRASE_THIRD PHRASE_FOURTH
%declare SONG_HIGHEST SONG_LOWEST SONG_LONGEST ROLE ROLEKIND ITS RESOLUTION BEFORE AFTER ENDING
%declare SECTION CADENCE ON BEAT WORD PENULTIMATE ODD EVEN FINAL
%declare FLAT SHARP WITH WITHOUT SLOW FAST GLIDE PERCENT VIBRATO MOVED FORMANT TAIL
%declare SONG OPEN CLOSED STRONG WEAK OFF UNTIL HIGHER LOWER SHORTER
%declare BAR_OPENING BAR_ENDING BAR_HIGHEST BAR_LOWEST BAR_LONGEST BAR_SHORTEST
%declare SHORTEST SONG_SHORTEST LASTING VALUE REPEATED REST MORE LESS
%declare MAJOR MINOR LEAP RISE FALL PHRASE_ANTEPENULTIMATE
%declare PERFECT IMPERFECT AUTHENTIC HALF PHRYGIAN PLAGAL DECEPTIVE
"""
