"""The design file: what it may say, reading it, its starter. Nothing here knows about studies or plants."""
