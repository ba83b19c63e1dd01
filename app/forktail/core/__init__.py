"""The equation core: pure functions on numpy arrays, SI units, no user interface.

Only numpy is imported here (a test asserts it), so every view, page, command and
test can rest on the same numbers.
"""
