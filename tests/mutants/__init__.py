"""Do the tests notice? One change at a time to a copy of the package, run by hand."""
