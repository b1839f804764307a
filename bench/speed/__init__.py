"""How fast and how small, as ratios within one run. `python -m bench.speed` lists them."""
