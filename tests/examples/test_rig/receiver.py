"""What is tested: a controller's receiver that asks for a bean, and gives up when no answer comes in time."""


class NoAnswer(Exception):
    """Nothing came in time."""


def ask(port, attempts=3):
    """Return the lane of the next bean, or raise `NoAnswer`; each attempt waits 50 ms."""
    port.timeout = 0.05
    for _ in range(attempts):
        port.reset_input_buffer()
        port.write(b"?")
        answer = port.read_until(b"\n")
        if answer.endswith(b"\n") and answer[:-1].isdigit():
            return int(answer)
    raise NoAnswer
