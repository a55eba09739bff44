"""Room: sound. Sound files and the files that the program keeps.

`audio` (with `audiohead`, `audiowrite`, `wavmeta`): sound opened lazily, read exactly, written
whole. `files`: everything else written whole or not at all. `cache`, `compiled`: what is kept
between runs. `netlayers`: small taught networks run in numpy. Imports carriers only.
"""
