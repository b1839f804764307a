"""Gets readings in and keeps them: links, wire format, quality flags, store, the running service."""
