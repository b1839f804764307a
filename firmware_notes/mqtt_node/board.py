# What is soldered to the board: the same parts as of the serial node. For boards with Wi-Fi and
# MicroPython's own `onewire`, `ds18x20` and `network`. The tests compile it and can't run it: check each
# probe once.

import time

import ds18x20
import machine
import network
import onewire

WATER_PIN, ROOM_PIN, SDA_PIN, SCL_PIN = 4, 5, 21, 22
LUX_ADDRESS, CONVERTER_ADDRESS = 0x23, 0x48
ELECTRODE_ZERO_MV, ELECTRODE_GAIN = 1500.0, 3.0
SSID, KEY = "your network", "its password"


class Board:
    """Reads the probes, brings the network up, sleeps."""

    def __init__(self, settings):
        self.settings = settings
        self.wires = [ds18x20.DS18X20(onewire.OneWire(machine.Pin(pin))) for pin in (WATER_PIN, ROOM_PIN)]
        self.bus = machine.I2C(
            0, sda=machine.Pin(SDA_PIN), scl=machine.Pin(SCL_PIN), freq=100000, timeout=5000
        )
        self.radio = network.WLAN(network.STA_IF)
        self.radio.active(True)
        # longer than a broker that does not answer: name, connection, TLS and greeting, 10 s each
        self.watchdog = None if settings.SLEEP else machine.WDT(timeout=60000)
        self._ticks, self._since_boot = time.ticks_ms(), 0

    def ticks_ms(self):
        """Milliseconds since boot; right across the wrap of the board's own count."""
        now = time.ticks_ms()
        self._since_boot += time.ticks_diff(now, self._ticks)
        self._ticks = now
        return self._since_boot

    def alive(self):
        if self.watchdog is not None:
            self.watchdog.feed()

    def network_up(self):
        if not self.radio.isconnected():
            self.radio.active(True)
            self.radio.connect(SSID, KEY)
            for _ in range(50):
                if self.radio.isconnected():
                    break
                time.sleep_ms(200)
        return self.radio.isconnected()

    def read(self):
        for wire in self.wires:
            try:
                wire.convert_temp()
            except onewire.OneWireError:
                pass
        self._write(LUX_ADDRESS, b"\x10")
        time.sleep_ms(760)
        names = ("temperature", "room_temperature")
        found = [(name, "Cel", self._celsius(wire)) for name, wire in zip(names, self.wires)]
        found.append(("ph_probe", "mV", self._electrode()))
        found.append(("light", "lx", self._lux()))
        return found

    def sleep_s(self, seconds):
        self.alive()
        if self.settings.SLEEP and seconds > 5:
            self.radio.active(False)
            machine.lightsleep(int(1000 * seconds))  # keeps the memory: `seq` and what waits are still there
        else:
            time.sleep(seconds)

    def _celsius(self, wire):
        try:
            (rom,) = wire.scan()
            value = wire.read_temp(rom)
        except Exception:  # no probe, two probes, a damaged reading
            return None
        return None if value is None or value == 85.0 else value

    def _electrode(self):
        total = 0
        for _ in range(10):  # 100 ms: whole periods of 50 and of 60 Hz
            self._write(CONVERTER_ADDRESS, b"\x01\xc3\x83")
            time.sleep_ms(10)
            try:
                two = self.bus.readfrom_mem(CONVERTER_ADDRESS, 0, 2)
            except OSError:
                return None
            counts = two[0] << 8 | two[1]
            total += counts - 65536 if counts & 0x8000 else counts
        output = total / 10 * 0.125
        if not 30 <= output <= 4066:
            return None
        return round((output - ELECTRODE_ZERO_MV) / ELECTRODE_GAIN, 2)

    def _lux(self):
        try:
            two = self.bus.readfrom(LUX_ADDRESS, 2)
        except OSError:
            return None
        return round((two[0] << 8 | two[1]) / 1.2)

    def _write(self, address, data):
        try:
            self.bus.writeto(address, data)
        except OSError:
            pass  # the read that follows says so
