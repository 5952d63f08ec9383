"""Reels: clips in order, made into one video.

`theme_reading` reads what is wanted, `select` says which clips of a search and in which order, `captions` how
each is shown, `build` makes the video. Nothing is imported here, so that what only says something about a
clip loads nothing that makes film.
"""
