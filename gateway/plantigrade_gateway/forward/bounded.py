"""Answers of a server that are no longer than they may be, whatever it sends."""

import aiohttp

MOST_BYTES = 1 << 27
"""Of one answer, unpacked; series of a long session, read back, are a tenth of it (ours)."""


class TooLongError(aiohttp.ClientPayloadError):
    """An answer went on."""


class Answer(aiohttp.ClientResponse):
    """An answer of which no more is read than it may hold: a few packed bytes may hold anything."""

    async def read(self) -> bytes:
        """Return the body; raises `TooLongError`, and closes the connection."""
        if self._body is None:
            body = bytearray()
            try:
                async for part in self.content.iter_any():
                    body += part
                    if len(body) > MOST_BYTES:
                        raise TooLongError(f"more than {MOST_BYTES} bytes")
            except BaseException:
                self.close()
                raise
            self._body = bytes(body)
        return await super().read()
