"""Work on the meanings of fields, step by step: the state, its edits, its history, its file."""
