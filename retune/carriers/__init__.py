"""Room: carriers. What the other rooms hand on: frozen values, and what all need to speak of them.

`heard` what was heard in a song, `changes` what rules make of it, `songfacts` the song file as it
was read; `errors` the one error root, `units` conversions, `text` words and signs for people,
`plain` carriers as plain values and back. Imports no room.
"""
