"""The bench: instruments read, a log that loses nothing, a chamber driven, a run watched."""
