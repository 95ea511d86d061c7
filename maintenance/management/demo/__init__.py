"""The demo firm: an invented company on an invented island, with three years of history whose truth is known.

`island` and `people` name things, `install` hangs receivers, `lives` lets batteries live and die, `oddities` plants what
a real firm also has, `work` makes rounds and visits out of it; `build.build_firm` ties them together without a database.
`load*` writes the result. Same seed, same day, same scale: same records.
"""
