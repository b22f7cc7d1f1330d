"""One module a release of the schema."""
