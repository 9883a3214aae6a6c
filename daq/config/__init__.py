"""Bench, plan and profile: from TOML text to records, every fault told at once.

    toml_lines  where in a text a key stands
    faults      a validation error in words, with file, line and the key that was probably meant
    sound       what can be judged beside them
    models      what the three files may hold (pydantic); JSON Schemas come from the same models
    bench       bench and profiles into instruments and channels
    plan        a plan, checked against its bench, into the rules of a session

Texts come in, records go out; reading files is the caller's.
"""
