"""What each family of faults looks like in the readings. One file a family; no links, stores or clocks."""
