"""The life of an alarm: its rationale, its states, its words, what people ask of it."""
