"""UART transmitters by other people's tools, simulated for the tests: they share no code with the library."""
