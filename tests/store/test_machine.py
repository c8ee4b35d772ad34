"""What the machine says to this process."""

import signal

import pytest

from heatwake.store.machine import peak_memory, uninterrupted


def test_an_interrupt_waits_for_the_end_of_the_block():
    done = []

    def work():
        with uninterrupted():
            signal.raise_signal(signal.SIGINT)
            done.append("block")

    with pytest.raises(KeyboardInterrupt):
        work()
    assert done == ["block"]
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_the_peak_of_memory_knows_what_was_taken():
    before = peak_memory()
    taken = bytearray(b"1") * (before + 2**25)
    assert peak_memory() >= len(taken)
