"""Entries of the parts list that cannot be read."""

from forktail.pages.build.parts_table import PartsTable
from forktail.pages.build.state import BuildState


def test_entry_that_cannot_be_read_keeps_what_was_typed_until_it_is_taken():
    view, state = PartsTable(), BuildState()
    view.show(state)
    view.refuse("r_load_left", "lots", "'lots' is not a value")
    view.show(state)
    assert view.sent["in-r_load_left"] == {"value": "lots", "aria-invalid": "true"}
    assert view.sent["err-r_load_left"]["#"] == "'lots' is not a value"
    view.accept("r_load_left")
    view.show(state)
    assert view.sent["in-r_load_left"] == {"value": "2.2 k\u03a9", "aria-invalid": None}
    view.refuse("r_load_left", "lots", "no")
    view.forget()  # another circuit: what could not be read goes with the old one
    view.show(state)
    assert view.sent["in-r_load_left"]["aria-invalid"] is None
