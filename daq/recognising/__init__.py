"""Finding out how a meter talks, from what it says.

Pure: bytes, registers and what an operator reads off a display come in; guesses with their reasons, candidates and the
text of configuration files go out. Opens no port, waits for nothing, and knows only requests that change nothing in
a meter. A guess is told with its evidence; where the evidence leaves a choice, the choice is handed on, never made.

    framings   which speeds and characters are tried, in which order
    heard      whether bytes are text, and at which framing they were sent
    lines      the repeated shape of lines, its columns, and a pattern for them
    unit_words units as meters write them
    asking     harmless requests, and whether a reply is one
    ranges     which registers are read next, and which are never asked for again
    shown      what the operator reads off the display
    candidates registers that hold what the display shows
    choosing   which candidates are the same thing, and which remain
    files      a bench and a profile as commented TOML
"""
