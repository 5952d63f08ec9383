"""Rounds, shots, replays and action found on a film by machine, for a person to confirm."""
