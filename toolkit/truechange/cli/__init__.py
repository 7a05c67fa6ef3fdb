"""The command ``truechange``: one module a command, each parses, calls the library and shows."""
