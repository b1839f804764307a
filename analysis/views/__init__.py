"""What people are shown of their tanks: facts read back, the screen, the page."""
