"""Pages: they lay out views and controls and wire them to a state."""
