"""Watches small planted freshwater tanks: `collector` gets readings in, `analysis` judges them.

`simulator` is a tank to try both on. The three are symbolic links to the folders at the top level.
"""
