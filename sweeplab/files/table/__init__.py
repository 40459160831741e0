"""Tables, such as CSV files, whose header names quantities and units.

`dialect` finds separator and decimal sign, `header` the column names and `columns` their meaning;
`row_parser`, `data_block` and `complex_cells` read the numbers, `multi_sweep` several sweeps in one
table. `frequency_column`, `conversions` and `reflection` turn the columns into frequency and
reflection; `reader` combines these.
"""
