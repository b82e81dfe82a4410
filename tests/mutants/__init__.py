"""Small changes to the core, one at a time: do the tests notice? See `__main__`."""
