"""The label editor in the terminal: what the box sees, and beside it what a person says it is.

`keys` is the one table of keys; `view` and `desk` are the editor without a
screen; `ink` and `picture` make rows of characters of it; `chart`, `screens`
and `app` show them; `worker` reads and computes in the background; `listening`
plays.
"""
