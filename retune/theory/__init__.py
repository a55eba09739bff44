"""Room: theory. Music theory as pure functions and published tables; knows no sound and no file.

`pitchnames`, `keys`, `spelling`, `signature`: names and degrees. `chords` (with `chordtables`,
`chordparts` for Harte labels, `leadsheet`, `roman`, `romannames`, `chordnames`): chords read and
written. `roles`, `noteroles`, `endingstats`: what a note is over a chord and how phrases end.
`profiles`, `tensionmodels`: published key profiles and tension models. Imports carriers only.
"""
