"""A slow reader of ISO 15765-2 for the tests, written from the rules for a receiver, one frame after another."""

from decoder.frames import FD_SIZES, Key

_LONGEST_WAIT_NS = 1_000_000_000  # N_Cr
_AT_ONCE_NS = 5_000_000  # a first frame that comes again later than this begins anew


class _Reception:
    """The state of one receiver that hears one sender: clause 9.8.3 (unexpected frames), 9.7 (time-outs)."""

    def __init__(self, address_bytes):
        self.at = address_bytes
        self.rows = None
        self.last = None  # (bytes) of the data frame before
        self.last_ns = 0
        self.waiting_since = 0

    def stay_awake(self, time_ns):
        """The receiver sends flow control: whatever comes next may take its time from here."""
        self.waiting_since = max(self.waiting_since, time_ns)

    def take(self, row, time_ns, frame):
        """Take a frame in; give (payload, rows) where it makes a message whole."""
        word = frame[self.at :]
        kind = word[0] >> 4 if word else 15
        if kind not in {0, 1, 2} or not self._valid(kind, frame, word):
            return None
        at_once = time_ns - self.last_ns <= _AT_ONCE_NS
        again = kind != 0 and frame == self.last and (kind == 2 or at_once)
        self.last, self.last_ns = frame, time_ns
        if again:
            return None
        if kind == 0:
            self.rows = None
            length, begin = (word[0] & 15, 1) if len(frame) <= 8 else (word[1], 2)
            return word[begin : begin + length], (row,)
        if kind == 1:
            self._begin(row, time_ns, frame, word)
            return None
        return self._go_on(row, time_ns, frame, word)

    def _valid(self, kind, frame, word):
        if kind == 0 and len(frame) <= 8:
            return 1 <= word[0] & 15 < len(word)
        if kind == 0:
            return word[0] == 0 and len(word) > 2 and 1 <= word[1] <= len(word) - 2
        if kind == 2:
            return len(word) > 1
        if len(frame) < 8 or len(frame) not in FD_SIZES:
            return False
        length, _ = self._length(word)
        long = word[0] & 15 or word[1]
        return length >= (8 if len(frame) == 8 else len(frame) - 1) - self.at if long else length > 4095

    @staticmethod
    def _length(word):
        short = (word[0] & 15) << 8 | word[1]
        return (short, 2) if short else (int.from_bytes(word[2:6], "big"), 6)

    def _begin(self, row, time_ns, frame, word):
        self.said, begin = self._length(word)
        self.got = word[begin:]
        self.rows = [row]
        self.size = len(frame)
        self.number = 1
        self.waiting_since = time_ns

    def _go_on(self, row, time_ns, frame, word):
        if self.rows is None:
            return None
        left = self.said - len(self.got)
        late = time_ns - self.waiting_since > _LONGEST_WAIT_NS
        full = self.size - self.at - 1
        fits = len(frame) <= self.size and len(word) - 1 >= min(left, full)
        if late or word[0] & 15 != self.number or not fits:
            self.rows = None
            return None
        self.got += word[1 : 1 + left]
        self.rows.append(row)
        self.number = (self.number + 1) % 16
        self.waiting_since = time_ns
        if len(self.got) < self.said:
            return None
        whole = self.got, tuple(self.rows)
        self.rows = None
        return whole


def read_slowly(heard):
    """What arrived whole of frames whose lines are known: (stream, address, payload, rows)."""
    receptions = {}
    found = []
    for row, one in enumerate(heard):
        line = one.line
        here = line, one.can_id
        for can_id in (line.asker, line.answerer):
            receptions.setdefault((line, can_id), _Reception(0 if line.addresses is None else 1))
        kind = one.data[0 if line.addresses is None else 1] >> 4
        if kind == 3:
            receptions[line, line.answerer if one.can_id == line.asker else line.asker].stay_awake(one.time_ns)
            continue
        whole = receptions[here].take(row, one.time_ns, one.data)
        if whole:
            key = Key(line.bus, one.can_id, line.wide)
            found.append((key, line.address_in(one.can_id), bytes(whole[0]), whole[1]))
    return found
