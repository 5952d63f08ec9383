"""What every page stands on: guards, sign-in, long work, media, wording."""
