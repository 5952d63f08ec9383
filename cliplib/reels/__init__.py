"""Reels: clips in order, made into one video."""
