"""Sources that are copied into viper modules, each from its line of dashes on.

MicroPython alone compiles them: ``ptr8`` and ``ptr32`` are words of its viper emitter. Numbers in capitals
are constants of the generated module.
"""
