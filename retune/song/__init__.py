"""Room: song. The song file and the small files beside it: read strictly, written with care.

`songfile` reads, `songsave` writes back, `songschema` and `songvalues` say what may stand in it;
`chart`, `guide`, `midifile`, `textfile`, `tomltext`, `csvtext` are the files beside it; `bartime`
places in the bars. Imports carriers, theory and sound.
"""
