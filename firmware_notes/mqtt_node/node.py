# A sensor node that publishes to a broker. It only measures and sends; it switches nothing.
# On a board: put settings.py, board.py, node.py, mqtt.py, ntp.py and ca.pem there, and a main.py of two
# lines: `import node` and `node.run()`. What is soldered on is in board.py.

import gc
import json

from mqtt import Client, Lost
from ntp import Clock

SEND_AGAIN = 40  # after a reconnect: a broker that was killed may have forgotten what it acknowledged


class Node:
    """Measures, keeps what can't be sent, sends it in order.

    `board` has `read()` -> list of (quantity, unit, value or None), `ticks_ms()`: whole ms that never step,
    `network_up()` -> bool (and tries to be), `alive()`, which feeds the watchdog, and `sleep_s(seconds)`.
    """

    def __init__(self, settings, board):
        self.settings, self.board = settings, board
        self.clock = Clock(settings.NTP_HOST, settings.NTP_PORT, board.ticks_ms)
        self.client = Client(
            settings.HOST,
            settings.PORT,
            "node-" + settings.TANK,
            settings.USER,
            settings.PASSWORD,
            settings.tls() if settings.TLS_CA else None,
            max(60, 3 * settings.REPORT_S),
        )
        self.seq = 0
        self.sent = []  # the last ones that the broker has acknowledged
        self.waiting = []  # oldest first
        self.retry_s, self.retry_at, self.heard_at = 1, 0, 0
        self.device_topic = "rushlight/%s/device" % settings.TANK
        self.readings_topic = "rushlight/%s/readings" % settings.TANK

    def measure(self):
        """One pack into the queue. Without a clock it says how long ago it was when it is sent."""
        records = []
        for quantity, unit, value in self.board.read():
            record = {"n": quantity, "u": unit}
            if value is None:
                record["vs"] = "fault"
            else:
                record["v"] = value
            records.append(record)
        if not records:
            return
        records[0]["bn"] = self.settings.TANK + "/"
        records[0]["seq"] = self.seq
        self.seq += 1
        try:  # text takes half the memory of what it says
            self.waiting.append((self.board.ticks_ms(), self.clock.now(), json.dumps(records).encode()))
        except MemoryError:
            self.make_room()
        if len(self.waiting) > self.settings.KEEP:
            self.waiting.pop(0)  # the oldest goes; the gap in `seq` shows it

    def make_room(self):
        """The oldest quarter goes: a node that stops for want of memory loses all of them."""
        del self.waiting[: len(self.waiting) // 4 + 1]

    def payload(self, report):
        """The same bytes again once the broker has had them: that is how a repeat is known."""
        at, true, pack = report
        if at is None:
            return pack
        if true is None:
            age_ms = self.board.ticks_ms() - at
            if age_ms < 1000:
                return pack
            time = -(age_ms // 100) / 10  # RFC 8428 section 4.5.3: before now
        else:
            time = true // 1000  # whole: a board's floats have seven digits
        return b'[{"bt": ' + str(time).encode() + b", " + pack[2:]

    def send(self):
        """All that waits. Lost where the link goes away; what was not acknowledged goes on waiting."""
        if self.client.stream is None:
            self.waiting = self.sent + self.waiting  # in order, with the same numbers: repeats do no harm
            self.sent = []
            self.client.connect(self.device_topic, b"offline")
            self.client.publish(self.device_topic, b"online", True)
        while self.waiting:
            self.board.alive()  # what waited for hours takes longer than the watchdog does
            payload = self.payload(self.waiting[0])
            self.client.publish(self.readings_topic, payload)
            self.heard_at = self.board.ticks_ms()
            self.waiting.pop(0)
            self.sent.append((None, None, payload))
            if len(self.sent) > SEND_AGAIN:
                self.sent.pop(0)

    def try_to_send(self):
        """Send, or wait longer each time: 1 s to 60 s."""
        now = self.board.ticks_ms()
        if self.client.stream is None and now < self.retry_at:
            return
        try:
            if not self.board.network_up():
                raise Lost("no network")
            self.board.alive()
            self.clock.look()
            self.board.alive()
            self.send()
            self.retry_s = 1
        except MemoryError:
            self.make_room()  # and the rest at the next report
        except Lost as error:
            print("waiting with %d reports: %s" % (len(self.waiting), error.args[0]))
            self.client.close()
            self.retry_at = now + 1000 * self.retry_s
            self.retry_s = min(2 * self.retry_s, 60)

    def keep_alive(self):
        """A word to the broker where nothing else was said for long: it would send the last will."""
        now = self.board.ticks_ms()
        if self.client.stream is not None and now - self.heard_at > 1000 * self.client.keepalive_s // 2:
            self.heard_at = now
            try:
                self.client.ping()
            except Lost:
                self.client.close()

    def run(self, reports=None):
        """For ever, or for so many reports."""
        due = self.board.ticks_ms()
        while reports is None or self.seq < reports or self.waiting:
            now = self.board.ticks_ms()
            if now >= due and (reports is None or self.seq < reports):
                due += int(1000 * self.settings.REPORT_S)
                self.measure()
                self.try_to_send()
                if self.settings.SLEEP:
                    self.client.say_goodbye()  # no last will for a node that sleeps
                    self.sent = []
            elif self.waiting:
                self.try_to_send()
            gc.collect()
            left_s = max(0, due - self.board.ticks_ms()) / 1000
            nap_s = left_s if self.settings.SLEEP and not self.waiting else min(left_s, 0.2)
            self.board.sleep_s(nap_s)
            self.keep_alive()
        self.client.say_goodbye()


def run():
    import board
    import settings

    Node(settings, board.Board(settings)).run()


if __name__ == "__main__":
    run()
