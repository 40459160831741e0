"""Touchstone files, versions 1.0 to 2.1.

`lexer` classifies the lines, `option_line` parses the option line, `data_rows` groups the numbers
by frequency, `network_parameters` converts them to the reflection at one port, `reader` combines
these. `fast_path` reads clean one-port files with the same result in a fraction of the time.
"""
