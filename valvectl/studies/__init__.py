"""One file a question that the engineer asks; each answers with one frozen result."""
