"""Up to eight thermocouple amplifiers to a serial line and, where the board has a radio, to BLE broadcasts.

For MicroPython on a 3.3 V board; copy it there as main.py. Set the pins for your board, nothing else needs a change.

The lines are those of amplifiers.c: `1,01901900,#2A,14C8`, channel, the chip's word, the line's number, CRC-16/MODBUS.
The broadcast is BTHome version 2 (https://bthome.io/format/), in the clear: a packet number, then a temperature for each of the
first seven channels, always in the same order, since a listener knows them by their place. A channel without a temperature
is sent as -327.68 °C, colder than anything can be, and the watch takes it for a fault.
"""

import sys
import time

from machine import SPI, WDT, Pin

try:
    from bluetooth import BLE
except ImportError:  # a board without a radio has its serial line
    BLE = None

SPI_BUS = 0
CLOCK_PIN, DATA_PIN = 18, 16
SELECT_PINS = (2, 3, 4, 5, 6, 7, 8, 9)
"""channels 1, 2, ... in this order; leave out those you have no amplifier for, from the end"""

ROUND_MS = 1000
"""every channel once; a conversion takes the chip 0.1 s (data sheet 19-5793)"""
START_UP_MS = 250
"""the chip's first word is false; it needs 0.2 s from power-up (the same data sheet)"""
HUNG_MS = 4000
"""the watchdog restarts the board after this; some boards allow 8.3 s at most"""
BITS_A_SECOND = 1_000_000
"""it could do 5 MHz; slower forgives longer wires"""
ATTEMPTS = 3
DEAD_BUS = 0xFFFFFFFF
FAULT_BITS = 0x00010007
BROADCAST_EVERY_US = 250_000
IN_A_BROADCAST = 7
"""31 bytes: flags 3, header 4, version 1, packet number 2, and 3 a temperature"""
NO_TEMPERATURE = -32768
"""in hundredths of a degree, the lowest that the format can say"""
FLAGS_AND_HEADER = b"\x02\x01\x06"
SERVICE_DATA, BTHOME = b"\x16", b"\xd2\xfc\x40"
PACKET_NUMBER, TEMPERATURE = 0x00, 0x02


def crc16_modbus(text):
    crc = 0xFFFF
    for byte in text:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def line(channel, word, number):
    """One line, its end included. number: 0 once after a start, then 1 to 255 and 1 again."""
    text = f"{channel},{word:08X},#{number:02X}"
    return f"{text},{crc16_modbus(text.encode()):04X}\n"


def hundredths(word):
    """The hot junction of a word as the chip linearised it, in 0.01 °C."""
    if word & FAULT_BITS:
        return NO_TEMPERATURE
    quarters = word >> 18
    return 25 * (quarters - 0x4000 if quarters & 0x2000 else quarters)


def broadcast(words, number):
    """The advertisement: at most 31 bytes."""
    objects = bytes((PACKET_NUMBER, number))
    for word in words[:IN_A_BROADCAST]:
        objects += bytes((TEMPERATURE,)) + (hundredths(word) & 0xFFFF).to_bytes(2, "little")
    data = SERVICE_DATA + BTHOME + objects
    return FLAGS_AND_HEADER + bytes((len(data),)) + data


class Amplifiers:
    def __init__(self):
        self._selects = [Pin(pin, Pin.OUT, value=1) for pin in SELECT_PINS]
        # Mode 0: the chip changes its output on the falling edge, so it is read on the rising one. The pull-up makes a
        # missing chip read as all ones.
        data = Pin(DATA_PIN, Pin.IN, Pin.PULL_UP)
        self._spi = SPI(SPI_BUS, baudrate=BITS_A_SECOND, polarity=0, phase=0, sck=Pin(CLOCK_PIN), miso=data)

    def word(self, index):
        """Two reads in a row must agree, for no checksum guards this side of the wire."""
        for _ in range(ATTEMPTS):
            word = self._read(index)
            if word == self._read(index):
                return word
        return DEAD_BUS

    def _read(self, index):
        select = self._selects[index]
        select.value(0)
        try:
            return int.from_bytes(self._spi.read(4), "big")
        finally:
            select.value(1)


def main(rounds=None):
    """For ever; rounds: so many only, for a test."""
    amplifiers = Amplifiers()
    radio = BLE() if BLE else None
    if radio:
        radio.active(True)
    time.sleep_ms(START_UP_MS)
    watchdog = WDT(timeout=HUNG_MS)
    lines_sent = packets = 0
    due = time.ticks_ms()
    while rounds is None or rounds > 0:
        rounds = None if rounds is None else rounds - 1
        words = []
        for index in range(len(SELECT_PINS)):
            words.append(amplifiers.word(index))
            sys.stdout.write(line(index + 1, words[index], lines_sent))
            lines_sent = lines_sent % 255 + 1
        if radio:
            radio.gap_advertise(BROADCAST_EVERY_US, broadcast(words, packets), connectable=False)
            packets = (packets + 1) % 256
        watchdog.feed()
        due = time.ticks_add(due, ROUND_MS)
        time.sleep_ms(max(0, time.ticks_diff(due, time.ticks_ms())))


if __name__ == "__main__":
    main()
