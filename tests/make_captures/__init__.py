"""How the shipped captures of the bean sorter were made, without any code of the library.

``python -m make_captures.simulate`` (run in ``tests/``) simulates the camera's UART and writes the VCD files;
``python -m make_captures.record`` records the frames through a kernel pseudo-terminal.
"""
