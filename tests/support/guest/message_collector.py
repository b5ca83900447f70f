"""A consumer of the guest's broker: it prints each message of Meterlink, a JSON object on a line."""

import asyncio
import json
import sys

import aiomqtt


async def collect(port: int) -> None:
    """Print the messages of the broker on ``port`` for ever."""
    async with aiomqtt.Client("127.0.0.1", port, identifier="shop", protocol=aiomqtt.ProtocolVersion.V5) as client:
        await client.subscribe("meterlink/#", qos=1)
        print("subscribed", flush=True)
        async for message in client.messages:
            assert isinstance(message.payload, bytes)
            print(json.dumps({"topic": message.topic.value, "payload": json.loads(message.payload)}), flush=True)


if __name__ == "__main__":
    asyncio.run(collect(int(sys.argv[1])))
