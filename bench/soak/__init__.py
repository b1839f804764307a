"""The soak: everything is killed again and again under load, and every acknowledged reading is looked for."""
