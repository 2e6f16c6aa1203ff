"""See DEVELOPERS.md, The map."""
