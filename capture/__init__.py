"""Everything that touches the outside: links, clocks, files and the evidence store."""
