"""Text files, whatever the format: what every reader is built from.

`decode` turns bytes into `lines`; `numbers`, `comments` and `timestamps` parse their contents;
`limits` holds the permitted sizes. `reader_protocol` defines what a reader takes and reports,
`normalize` turns the rows of any reader into a Sweep.
"""
