"""Sources that are copied into generated modules, each from its line of dashes on.

What stands above that line is for reading and checking the file alone; a generated module has its own
settings there. They use nothing that MicroPython lacks.
"""
