"""The printable bench plan."""
