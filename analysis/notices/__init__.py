"""From an event to a person: the queue in the store, the channels, the thread that sends."""
