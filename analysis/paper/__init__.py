"""Pages to keep: one document, as HTML and as PDF."""
