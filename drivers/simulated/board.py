"""A simulated amplifier board on a real pseudo-terminal: register words with CRC, exactly as firmware would send them."""

from __future__ import annotations

import os
import tty

from drivers.codecs.amplifier_words import encode_max31855
from drivers.codecs.line_formats import words_line
from drivers.codecs.thermocouple import SENSITIVITY_MAX31855, linear_chip_shows
from drivers.reading import Measurement
from drivers.simulated.cook import SimulatedCook

THERMOCOUPLE = "K"


class AmplifierBoard:
    """Writes one line of MAX31855-class words each time it is asked. `port` is what a serial driver opens."""

    def __init__(self, cook: SimulatedCook) -> None:
        self.cook = cook
        self._end, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(self._end, False)
        self.port = os.ttyname(slave)
        self._slave = slave  # kept open, so that a driver may come and go

    def send(self) -> bool:
        """Write what the probes say now. False when nobody reads and the line is full: then it is lost, as on a wire."""
        words = {m.source: _word(m) for m in self.cook.measure()}
        try:
            os.write(self._end, words_line(words))
        except BlockingIOError:
            return False
        return True

    def close(self) -> None:
        os.close(self._end)
        os.close(self._slave)


def _word(measurement: Measurement) -> int:
    """The chip's word: it assumes a straight thermocouple, so it shows a little beside the true temperature."""
    cold = measurement.cold_junction if measurement.cold_junction is not None else 25.0
    if measurement.celsius is None:
        return encode_max31855(0.0, cold, measurement.fault)
    shown = linear_chip_shows(THERMOCOUPLE, measurement.celsius, cold, SENSITIVITY_MAX31855[THERMOCOUPLE])
    return encode_max31855(shown, cold)
