"""A durable subscriber at a broker that is killed and begun again."""

import asyncio
import contextlib
import json
from collections import Counter
from collections.abc import AsyncIterator
from typing import Any

import aiomqtt
from tests.support.waiting import HANG_S


class Subscriber:
    """Hears a topic with QoS 1 and a session that does not end, over every restart of the broker.

    Attributes
    ----------
    got : Counter of str
        How often each ``id`` came.
    messages : dict
        The last message of each ``id``.
    """

    def __init__(self, port: int, topic: str) -> None:
        self.got: Counter[str] = Counter()
        self.messages: dict[str, dict[str, Any]] = {}
        self._port = port
        self._topic = topic

    @contextlib.asynccontextmanager
    async def listening(self) -> AsyncIterator[None]:
        """Listen meanwhile; from the first subscription on."""
        there = asyncio.Event()
        listening = asyncio.create_task(self._listen(there))
        try:
            await asyncio.wait_for(there.wait(), HANG_S)
            yield
        finally:
            listening.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await listening

    async def _listen(self, there: asyncio.Event) -> None:
        while True:
            with contextlib.suppress(aiomqtt.MqttError):
                async with aiomqtt.Client(
                    "127.0.0.1",
                    self._port,
                    identifier="durable",
                    clean_session=False,
                    timeout=3,
                    keepalive=5,
                ) as client:
                    await client.subscribe(self._topic, qos=1)
                    there.set()
                    async for message in client.messages:
                        told = json.loads(bytes(message.payload))
                        self.got[told["id"]] += 1
                        self.messages[told["id"]] = told
            await asyncio.sleep(0.1)
