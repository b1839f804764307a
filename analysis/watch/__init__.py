"""One tank: its detectors in their order, one cause one alarm, the snapshot of all of it."""
