"""Carbon dioxide by pH and hardness: too much, none, and pH out of its range."""
