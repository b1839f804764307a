"""Pure formulas with their sources: water, gas, two waters that meet. No state, no time."""
