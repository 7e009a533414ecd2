"""One module per command: parse, call, print. Each defines ``command`` and loads only when used."""
