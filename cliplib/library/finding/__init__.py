"""Services that find and show: phrases, clips, fights, names, words."""
