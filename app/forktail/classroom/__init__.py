"""The class room: rooms, questions, their pages and what they say on the wire."""
