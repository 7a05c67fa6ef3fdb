"""The command ``truechange``: each command parses, calls the library and shows."""
