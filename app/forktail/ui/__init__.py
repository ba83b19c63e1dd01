"""What all pages share: state, controls, components, plots, looks."""
