"""What numbers are worth: pure functions over counts, without a word about boxing."""
