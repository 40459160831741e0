"""Tables with a heading that names quantities and units."""
