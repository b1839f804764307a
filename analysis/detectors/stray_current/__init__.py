"""Stray current: pH steps that come and go with a mains device."""
