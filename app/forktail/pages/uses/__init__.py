"""Uses: eight circuits that a multiplier serves in, each with its figures of merit."""
