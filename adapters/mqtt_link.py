"""One connection to a broker, kept up by a thread that alone touches the paho client.

Connect, wait with back-off, connect again with a fresh client (password and certificates are read anew); run paho's
public loop steps; let the owner (inlet or publisher) do its turn between them. Other threads only leave work for
the owner and call `wake`. Callbacks only note what came.
"""

from __future__ import annotations

import logging
import select
import ssl
import threading
import time
from typing import Any, Final, Protocol

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from adapters.alarm import Alarm
from adapters.board import Board
from adapters.delivery import SourceState, Trouble
from adapters.mqtt_client import MqttSettings, Will
from adapters.mqtt_words import connect_trouble, hasty_trouble, lost_trouble, refused_trouble, silent_trouble
from adapters.pace import Pace

log = logging.getLogger("bandkeeper.sources")

BURST: Final = 500
"""So many packets at most are read before the owner's turn."""
_CONNACK_WITHIN_S: Final = 15.0
_STEADY_S: Final = 5.0
_HASTY_SAID: Final = 3
_LEAVE_WITHIN_S: Final = 2.0
_TICK_MS: Final = 500


class Owner(Protocol):
    """What the link calls, all on the link's thread."""

    def prepare(self, client: Client) -> None:
        """Set callbacks on a new client that is not connected yet."""
        ...

    def up(self, client: Client, *, session_present: bool) -> None:
        """Begin on a connection that the broker accepted."""
        ...

    def turn(self, client: Client) -> None:
        """Work off what came in and send what waits."""
        ...

    def down(self) -> None:
        """Put away what belonged to the connection that ended."""
        ...

    def wants_more(self) -> bool:
        """Say whether the link may read on (back-pressure)."""
        ...

    def finished(self) -> bool:
        """Say whether nothing keeps a stopping link any longer."""
        ...


class Link:
    """A connection that comes back by itself."""

    def __init__(
        self,
        settings: MqttSettings,
        board: Board,
        owner: Owner,
        *,
        keep_session: bool,
        pace: Pace | None = None,
        will: Will | None = None,
    ) -> None:
        self._settings = settings
        self._board = board
        self._owner = owner
        self._keep_session = keep_session
        self._will = will
        self._pace = pace or Pace()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._alarm: Alarm | None = None
        self._packets = 0
        self._blame: tuple[Trouble, float] | None = None
        self._hasty = 0

    def start(self) -> None:
        """Start the thread."""
        self._stopping.clear()
        self._alarm = Alarm()
        self._thread = threading.Thread(target=self._run, name=f"mqtt {self._settings.source}", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Leave in order: what can still be acknowledged or sent within two seconds is."""
        self._stopping.set()
        self.wake()
        if self._thread is not None:
            self._thread.join(timeout=30)
        if self._alarm is not None:
            self._alarm.close()
            self._alarm = None
        self._board.set(SourceState.STOPPED, "stopped")

    def wake(self) -> None:
        """End the link's wait now (from any thread)."""
        alarm = self._alarm
        if alarm is not None:
            alarm.ring()

    def blame(self, trouble: Trouble) -> None:
        """Say what is wrong on a connection that stands, and blame it if the broker ends the connection over it."""
        self._board.set(SourceState.UP, trouble.detail, trouble.remedy)
        self._blame = (trouble, time.monotonic())

    def note_packet(self) -> None:
        """Tell that a callback saw a packet: the burst of reading goes on."""
        self._packets += 1

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._board.beat()
            try:
                wait_s = self._one_connection()
            except MemoryError:  # ends the thread, and with it the daemon, which is started again
                raise
            except Exception:
                log.exception("%s: own fault in the connection, it is made anew", self._settings.source)
                wait_s = self._pace.wait_s()
            self._stopping.wait(wait_s)

    def _one_connection(self) -> float:
        """Live through one connection from CONNECT to its end; give the wait before the next."""
        try:
            connection = _Connection(self._settings.client(keep_session=self._keep_session, will=self._will))
            self._owner.prepare(connection.client)
            self._settings.connect(connection.client, keep_session=self._keep_session)
        except (OSError, ValueError) as error:
            return self._say(connect_trouble(self._settings, error))
        began = time.monotonic()
        try:
            self._live(connection)
        finally:
            self._owner.down()
            connection.close()
        if self._stopping.is_set():
            return 0.0
        return self._say(connection.trouble or self._ended(connection, time.monotonic() - began))

    def _ended(self, connection: _Connection, lasted_s: float) -> Trouble:
        """Find out why the broker ended the connection."""
        if not connection.accepted:
            return silent_trouble(self._settings)
        if lasted_s > _STEADY_S:
            self._pace.reset()
        self._hasty = self._hasty + 1 if lasted_s < _STEADY_S else 0
        if self._blame is not None and time.monotonic() - self._blame[1] < _STEADY_S:
            return self._blame[0]
        if self._hasty >= _HASTY_SAID:
            return hasty_trouble(self._settings)
        return lost_trouble(self._settings, connection.end_code)

    def _live(self, connection: _Connection) -> None:
        began = time.monotonic()
        poll = select.poll()
        if self._alarm is not None:
            poll.register(self._alarm.fd, select.POLLIN)
        while (sock := connection.client.socket()) is not None:
            if self._stopping.is_set():
                self._leave(connection, poll)
                return
            self._board.beat()
            self._step(connection, poll, sock, read=self._owner.wants_more())
            if connection.answer is not None:
                self._answered(connection)
            if connection.accepted:
                self._owner.turn(connection.client)
            elif time.monotonic() - began > _CONNACK_WITHIN_S:
                return

    def _leave(self, connection: _Connection, poll: select.poll) -> None:
        """Stop reading, let the last acknowledgements out, say good-bye."""
        end = time.monotonic() + _LEAVE_WITHIN_S
        while connection.accepted and time.monotonic() < end and (sock := connection.client.socket()) is not None:
            self._owner.turn(connection.client)
            if self._owner.finished() and not connection.client.want_write():
                break
            self._step(connection, poll, sock, read=not self._keep_session)
        connection.close()

    def _step(self, connection: _Connection, poll: select.poll, sock: Any, *, read: bool) -> None:
        """Wait for something to do and let paho read, write and keep the connection alive."""
        client = connection.client
        poll.register(sock, (select.POLLIN if read else 0) | (select.POLLOUT if client.want_write() else 0))
        decrypted = read and isinstance(sock, ssl.SSLSocket) and sock.pending() > 0
        events = dict(poll.poll(0 if decrypted else _TICK_MS))
        poll.unregister(sock)
        if self._alarm is not None and self._alarm.fd in events:
            self._alarm.hear()
        seen = events.get(sock.fileno(), 0)
        if decrypted or seen & ~select.POLLOUT:
            self._read_burst(client)
        if seen & select.POLLOUT or client.want_write():
            client.loop_write()
        client.loop_misc()

    def _read_burst(self, client: Client) -> None:
        for _ in range(BURST):
            before = self._packets
            if client.loop_read() != MQTTErrorCode.MQTT_ERR_SUCCESS or self._packets == before:
                return

    def _answered(self, connection: _Connection) -> None:
        """Take note of the broker's CONNACK."""
        code, session_present = connection.answer or (None, False)
        connection.answer = None
        if code is not None and code.is_failure:
            connection.trouble = refused_trouble(self._settings, code)
            connection.client.disconnect()
            return
        connection.accepted = True
        self._owner.up(connection.client, session_present=session_present)

    def _say(self, trouble: Trouble) -> float:
        self._board.set(trouble.state, trouble.detail, trouble.remedy)
        return self._pace.refused_wait_s() if trouble.state is SourceState.REFUSED else self._pace.wait_s()


class _Connection:
    """A client and what its callbacks noted."""

    def __init__(self, client: Client) -> None:
        self.client = client
        self.answer: tuple[ReasonCode, bool] | None = None
        self.accepted = False
        self.trouble: Trouble | None = None
        self.end_code: ReasonCode | None = None
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect

    def _on_connect(
        self, _client: Client, _data: Any, flags: ConnectFlags, code: ReasonCode, _properties: Properties | None
    ) -> None:
        self.answer = (code, flags.session_present)

    def _on_disconnect(
        self, _client: Client, _data: Any, _flags: DisconnectFlags, code: ReasonCode, _properties: Properties | None
    ) -> None:
        self.end_code = code

    def close(self) -> None:
        """Make sure that the socket is gone."""
        sock = self.client.socket()
        if sock is not None:
            self.client.disconnect()
            sock.close()
