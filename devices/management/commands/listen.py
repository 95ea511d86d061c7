"""Listen for panels that report by DC-09 frames, until SIGTERM or Ctrl+C."""

from __future__ import annotations

import asyncio
import ipaddress
import signal
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from devices.management.listening.limits import Limits
from devices.management.listening.server import Listener


def address_of(text: str) -> tuple[str, int]:
    """Host and port out of HOST:PORT, such as 127.0.0.1:9009 or [::1]:9009.

    Raises
    ------
    CommandError
        If it is no numeric address with a port from 0 to 65535 (0: any free one).
    """
    host, colon, port = text.rpartition(":")
    try:
        found = ipaddress.ip_address(host.removeprefix("[").removesuffix("]"))
    except ValueError:
        found = None
    is_port = port.isascii() and port.isdigit() and len(port) <= 5 and int(port) <= 65535
    if not colon or found is None or not is_port:
        raise CommandError("Give the address as HOST:PORT with a numeric host, such as 127.0.0.1:9009 or [::1]:9009.")
    return str(found), int(port)


class Command(BaseCommand):
    """`manage.py listen`."""

    help = "Take in DC-09 frames of panels. SIGTERM or Ctrl+C ends it after what it has taken is written and answered."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--bind", required=True, metavar="HOST:PORT", help="such as 127.0.0.1:9009")
        parser.add_argument("--tcp", action="store_true", help="only TCP (without --udp)")
        parser.add_argument("--udp", action="store_true", help="only UDP (without --tcp)")
        parser.add_argument(
            "--idle", type=int, default=int(Limits().idle_s), metavar="SECONDS",
            help="close a TCP connection that was silent for so long, 10 to 86400 (%(default)s); set it above the time "
            f"between two link tests. One without any frame is closed after {Limits().first_frame_s:.0f} s",
        )  # fmt: skip
        most = Limits().connections
        parser.add_argument(
            "--per-address", type=int, default=Limits().connections_a_peer, metavar="N",
            help=f"open TCP connections of one address, 1 to {most} (%(default)s, a quarter of the {most} in all; of IPv6, "
            f"a /64 network is one address). Give {most} where all panels come from one address, as through a tunnel. One "
            "more of an address at its bound closes one of its own; where all are taken, one of the address that holds "
            "most is closed: first those that never sent a frame, then the longest idle",
        )  # fmt: skip

    def handle(self, *args: Any, **options: Any) -> None:
        host, port = address_of(options["bind"])
        both = options["tcp"] == options["udp"]
        if not ipaddress.ip_address(host).is_loopback:
            self.stderr.write(
                "Anybody who reaches this address can send frames. Let a firewall or VPN admit only your panels, and give "
                "every account a key."
            )
        if not 10 <= options["idle"] <= 86_400:
            raise CommandError("Give --idle as seconds from 10 to 86400.")
        if not 1 <= options["per_address"] <= Limits().connections:
            raise CommandError(f"Give --per-address as a number from 1 to {Limits().connections}.")
        listener = Listener(
            host=host, port=port, tcp=both or options["tcp"], udp=both or options["udp"],
            limits=Limits(idle_s=options["idle"], connections_a_peer=options["per_address"]),
        )  # fmt: skip
        asyncio.run(self._listen(listener, both or options["tcp"], both or options["udp"]))

    async def _listen(self, listener: Listener, tcp: bool, udp: bool) -> None:
        asked_to_stop = asyncio.Event()
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, asked_to_stop.set)
        try:
            await listener.start()
        except OSError as error:
            raise CommandError(
                f"Cannot listen on {listener.bind} ({error.strerror}). Choose another address with --bind."
            ) from error
        ways = " and ".join(name for name, on in (("TCP", tcp), ("UDP", udp)) if on)
        self.stdout.write(f"Listening on {listener.bind} ({ways}). Ctrl+C ends it.")
        self.stdout.flush()
        await asked_to_stop.wait()
        self.stdout.write("Ending: what was taken is written and answered first.")
        self.stdout.flush()
        await listener.stop()
