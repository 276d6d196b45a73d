"""The first settings of a tank: what is asked, what the answers mean, what is written.

`question` is one question; `tank`, `sensors` and `recipients` have all of them and turn the answers
into `Section`s of the file; `written` makes the file's text of those. `moved` says which sensor a
person has in the hand. All of this is pure. `found` and `live` are the edge: they ask the drivers
what there is to read, and read it. The terminal is in `cli`.
"""
