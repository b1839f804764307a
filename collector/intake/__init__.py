"""From a payload to a flagged reading: decode, stamp, turn into units, judge its quality."""
