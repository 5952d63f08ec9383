"""Finding: the engine, words in notes, likeness, what usually follows."""
