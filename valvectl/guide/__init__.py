"""The guide that ships with the program: Markdown sources in this folder, rendered to pages that need no network."""
