"""Tables, charts, worked calculation, schematic and documents of a finished exploration."""
