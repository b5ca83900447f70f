"""The publisher against a real broker on the loopback interface: mosquitto, started and stopped by each test."""

import asyncio
import contextlib
import shutil
import ssl
import sys
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from meterlink.publish.broker import BrokerConfig
from meterlink.publish.publisher import CONFIGURATION_RETRY_DELAY, Publisher
from support.certificates import Authority
from support.mosquitto_broker import (
    MOSQUITTO,
    OUTER_TIMEOUT,
    ReceivedMessages,
    running_broker,
    running_consumer,
)
from support.outboxes import MemoryOutbox
from support.tools import skip_without_tool


@pytest.fixture(autouse=True)
async def nothing_left_running() -> AsyncIterator[None]:
    if MOSQUITTO is None:
        skip_without_tool("mosquitto")
    yield
    tasks = asyncio.all_tasks() - {asyncio.current_task()}
    assert not tasks, f"tasks left running: {tasks}"


class FakeSleep:
    """Replaces sleeping: records the delays and waits for ``go``."""

    def __init__(self) -> None:
        self.delays: list[float] = []
        self.waiting = asyncio.Event()
        self.go = asyncio.Event()

    async def __call__(self, delay: float) -> None:
        self.delays.append(delay)
        self.waiting.set()
        await self.go.wait()


@dataclass
class Notices:
    reported: list[tuple[str, str]] = field(default_factory=list)

    def __call__(self, level: str, text: str) -> None:
        self.reported.append((level, text))


@contextlib.asynccontextmanager
async def publishing(publisher: Publisher) -> AsyncIterator[None]:
    """Run a publisher during the body and stop it cleanly afterwards."""
    task = asyncio.create_task(publisher.run())
    try:
        yield
    finally:
        publisher.stop()
        async with asyncio.timeout(OUTER_TIMEOUT):
            await task


def local_config(port: int, **more: object) -> BrokerConfig:
    return BrokerConfig("127.0.0.1", "teststation1", port=port, tls=False, **more)  # type: ignore[arg-type]


async def test_messages_arrive_in_order_with_their_properties(tmp_path: Path) -> None:
    outbox, received = MemoryOutbox(), ReceivedMessages()
    async with running_broker(tmp_path) as mosquitto, running_consumer(mosquitto.port, received):
        async with publishing(Publisher(local_config(mosquitto.port), "north van", outbox, Notices())):
            for number in range(50):
                outbox.add("meterlink/north van/readings/amber", f'[{{"n":"x","v":{number}}}]')
            await outbox.empty()
        await received.wait_until(lambda messages: len(messages) >= 52)
    assert received.ids() == [f"id-{number}" for number in range(1, 51)]
    message = received.messages[1]
    assert message.qos == 1
    assert message.properties is not None
    assert vars(message.properties)["ContentType"] == "application/senml+json"
    assert vars(message.properties)["PayloadFormatIndicator"] == 1
    assert [state["state"] for state in received.states()] == ["online", "offline"]
    assert not outbox.rejected


@pytest.mark.fault("broker-down")
async def test_a_broker_that_stops_and_starts_loses_nothing(tmp_path: Path) -> None:
    outbox, received, sleep, notices = MemoryOutbox(), ReceivedMessages(), FakeSleep(), Notices()
    async with running_broker(tmp_path) as mosquitto:
        publisher = Publisher(local_config(mosquitto.port), "van", outbox, notices, sleep=sleep)
        async with publishing(publisher):
            async with running_consumer(mosquitto.port, received):
                for number in range(400):
                    outbox.add("meterlink/van/readings/amber", f"[{number}]")
                await received.wait_until(lambda messages: len(messages) >= 40)
                await mosquitto.stop()
            for number in range(400, 450):
                outbox.add("meterlink/van/accepted/unit/part", f"[{number}]")
            async with asyncio.timeout(OUTER_TIMEOUT):
                await sleep.waiting.wait()
            assert publisher.state == "waiting"
            assert outbox.entries
            await mosquitto.start()
            async with running_consumer(mosquitto.port, received):
                sleep.go.set()
                await outbox.empty()
                await received.wait_until(lambda _: len(set(received.ids())) >= 450)
    unique_ids = list(dict.fromkeys(received.ids()))
    assert unique_ids == [f"id-{number}" for number in range(1, 451)]
    assert notices.reported[0][0] == "warning"
    assert notices.reported[-1] == ("info", "")


async def test_state_is_retained_from_birth_to_clean_stop(tmp_path: Path) -> None:
    outbox = MemoryOutbox()
    async with running_broker(tmp_path) as mosquitto:
        async with publishing(Publisher(local_config(mosquitto.port), "van", outbox, Notices())):
            outbox.add("meterlink/van/readings/amber", "[]")
            await outbox.empty()
            late = ReceivedMessages()
            async with running_consumer(mosquitto.port, late):
                await late.wait_until(lambda messages: messages)
            assert late.messages[0].retain
            assert late.states()[0]["state"] == "online"
        after = ReceivedMessages()
        async with running_consumer(mosquitto.port, after):
            await after.wait_until(lambda messages: any(message.retain for message in messages))
    assert after.states()[-1]["state"] == "offline"
    assert after.states()[-1]["reason"] == "stopped"


PROCESS = """
import asyncio, sys
from meterlink.publish.broker import BrokerConfig
from meterlink.publish.publisher import Publisher

class Nothing:
    changed = asyncio.Event()
    async def pending(self, limit, after_id): return []
    async def delete_sent(self, ids): pass
    async def reject(self, reasons): pass

broker = BrokerConfig("127.0.0.1", "teststation1", port=int(sys.argv[1]), tls=False)
asyncio.run(Publisher(broker, "van", Nothing(), lambda level, text: None).run())
"""


@pytest.mark.fault("ghost-online")
async def test_a_killed_process_leaves_its_will(tmp_path: Path) -> None:
    received = ReceivedMessages()
    async with running_broker(tmp_path) as mosquitto, running_consumer(mosquitto.port, received):
        process = await asyncio.create_subprocess_exec(sys.executable, "-c", PROCESS, str(mosquitto.port))
        try:
            await received.wait_until(lambda messages: messages)
        finally:
            process.kill()
            await process.wait()
        await received.wait_until(lambda messages: len(messages) >= 2)
    assert [(state["state"], state.get("reason")) for state in received.states()] == [
        ("online", None),
        ("offline", "connection lost"),
    ]


@pytest.mark.fault("ghost-online")
async def test_cancelling_leaves_the_will_behind(tmp_path: Path) -> None:
    received, outbox = ReceivedMessages(), MemoryOutbox()
    async with running_broker(tmp_path) as mosquitto, running_consumer(mosquitto.port, received):
        task = asyncio.create_task(Publisher(local_config(mosquitto.port), "van", outbox, Notices()).run())
        await received.wait_until(lambda messages: messages)
        task.cancel()
        await asyncio.wait({task})
        await received.wait_until(lambda messages: len(messages) >= 2)
    assert task.cancelled()
    assert received.states()[-1]["reason"] == "connection lost"


async def _password_file(folder: Path) -> Path:
    tool = shutil.which("mosquitto_passwd")
    if tool is None:
        skip_without_tool("mosquitto_passwd")
    path = folder / "passwords"
    process = await asyncio.create_subprocess_exec(
        tool, "-c", "-b", str(path), "van", "right", stderr=asyncio.subprocess.DEVNULL
    )
    assert await process.wait() == 0
    return path


@pytest.mark.fault("wrong-password")
async def test_a_wrong_password_is_a_configuration_fault_and_a_corrected_one_is_used(tmp_path: Path) -> None:
    passwords = await _password_file(tmp_path)
    secret = tmp_path / "secret"
    secret.touch(0o600)
    secret.write_text("wrong\n")
    outbox, sleep, notices = MemoryOutbox(), FakeSleep(), Notices()
    outbox.add("meterlink/van/readings/amber", "[1]")
    async with running_broker(tmp_path, "allow_anonymous false", f"password_file {passwords}") as mosquitto:
        settings = local_config(mosquitto.port, username="van", password_file=secret)
        publisher = Publisher(settings, "van", outbox, notices, sleep=sleep)
        async with publishing(publisher):
            async with asyncio.timeout(OUTER_TIMEOUT):
                await sleep.waiting.wait()
            assert publisher.state == "configuration"
            assert sleep.delays == [CONFIGURATION_RETRY_DELAY]
            assert notices.reported[0][0] == "alarm"
            assert "user name or password" in notices.reported[0][1]
            assert outbox.entries
            secret.write_text("right\n")
            sleep.go.set()
            await outbox.empty()
    assert notices.reported[-1] == ("info", "")


@pytest.mark.fault("message-denied")
async def test_a_denied_message_is_rejected_and_later_messages_are_sent(tmp_path: Path) -> None:
    acl = tmp_path / "acl"
    acl.write_text(
        "topic readwrite meterlink/van/readings/#\ntopic readwrite meterlink/van/state\ntopic read meterlink/#\n"
    )
    acl.chmod(0o600)
    outbox, received, notices = MemoryOutbox(), ReceivedMessages(), Notices()
    async with running_broker(tmp_path, f"acl_file {acl}") as mosquitto, running_consumer(mosquitto.port, received):
        async with publishing(Publisher(local_config(mosquitto.port), "van", outbox, notices)):
            for number in range(30):
                topic = "accepted/unit/part" if number == 7 else "readings/amber"
                outbox.add(f"meterlink/van/{topic}", f"[{number}]")
            await outbox.empty()
        await received.wait_until(lambda _: len(received.ids()) >= 29)
    assert list(outbox.rejected) == [8]
    assert "authori" in outbox.rejected[8].lower()
    assert received.ids() == [f"id-{number}" for number in range(1, 31) if number != 8]
    level, text = notices.reported[-1]
    assert level == "warning"
    assert "meterlink/van/accepted/unit/part" in text


@pytest.mark.fault("broker-hangs-up")
async def test_a_broker_that_hangs_up_after_a_denial_stops_nothing(tmp_path: Path) -> None:
    # mosquitto 2.0.11 does with max_queued_messages 0, and resets the connection if more messages are on their way:
    # then even the denial is lost.
    acl = tmp_path / "acl"
    acl.write_text(
        "topic readwrite meterlink/van/readings/#\ntopic readwrite meterlink/van/state\ntopic read meterlink/#\n"
    )
    acl.chmod(0o600)
    outbox, received, notices, sleep = MemoryOutbox(), ReceivedMessages(), Notices(), FakeSleep()
    sleep.go.set()
    for number in range(200):
        topic = "accepted/unit/part" if number % 5 == 3 else "readings/amber"
        outbox.add(f"meterlink/van/{topic}", f"[{number}]")
    async with (
        running_broker(tmp_path, f"acl_file {acl}", "max_queued_messages 0") as mosquitto,
        running_consumer(mosquitto.port, received),
    ):
        publisher = Publisher(
            local_config(mosquitto.port), "van", outbox, notices, sleep=sleep, random_fraction=lambda: 1.0
        )
        async with publishing(publisher):
            await outbox.empty()
        await received.wait_until(lambda _: len(set(received.ids())) >= 160)
    assert sorted(outbox.rejected) == [number + 1 for number in range(200) if number % 5 == 3]
    assert all("authori" in reason.lower() for reason in outbox.rejected.values())
    assert sorted(set(received.ids())) == sorted(f"id-{number + 1}" for number in range(200) if number % 5 != 3)
    assert set(sleep.delays) == {1.0}, "a booked denial resets the pause"
    # The first loss, which may have any reason; the connection; the denials.
    assert [level for level, _ in notices.reported] == ["warning", "info", "warning"]
    assert "denied" in notices.reported[-1][1]


@pytest.mark.fault("tls-fault")
async def test_an_untrusted_certificate_is_a_configuration_fault_and_a_trusted_one_works(tmp_path: Path) -> None:
    signer = Authority(tmp_path)
    authority, (certificate, key) = signer.path, signer.issue("test broker")
    async with running_broker(tmp_path, f"certfile {certificate}", f"keyfile {key}") as mosquitto:
        outbox, sleep, notices = MemoryOutbox(), FakeSleep(), Notices()
        outbox.add("meterlink/van/readings/amber", "[1]")
        untrusting = Publisher(
            BrokerConfig("127.0.0.1", "teststation1", port=mosquitto.port), "van", outbox, notices, sleep=sleep
        )
        async with publishing(untrusting):
            async with asyncio.timeout(OUTER_TIMEOUT):
                await sleep.waiting.wait()
            assert untrusting.state == "configuration"
            assert sleep.delays == [CONFIGURATION_RETRY_DELAY]
            assert "not trusted" in notices.reported[0][1]
        assert outbox.entries

        trusting = BrokerConfig("127.0.0.1", "teststation1", port=mosquitto.port, ca_file=authority)
        async with publishing(Publisher(trusting, "van", outbox, Notices())):
            await outbox.empty()

        outbox.add("meterlink/van/readings/amber", "[2]")
        unverified = BrokerConfig("127.0.0.1", "teststation1", port=mosquitto.port, verify=False)
        async with publishing(Publisher(unverified, "van", outbox, Notices())):
            await outbox.empty()

        # The certificate is for 127.0.0.1, not for the name localhost.
        sleep = FakeSleep()
        misnamed = BrokerConfig("localhost", "teststation1", port=mosquitto.port, ca_file=authority)
        publisher = Publisher(misnamed, "van", MemoryOutbox(), Notices(), sleep=sleep)
        async with publishing(publisher):
            async with asyncio.timeout(OUTER_TIMEOUT):
                await sleep.waiting.wait()
            assert publisher.state == "configuration"


@pytest.mark.fault("tls-fault")
async def test_tls_to_a_port_without_tls_names_the_setting(tmp_path: Path) -> None:
    outbox, sleep, notices = MemoryOutbox(), FakeSleep(), Notices()
    async with running_broker(tmp_path) as mosquitto:
        publisher = Publisher(
            BrokerConfig("127.0.0.1", "teststation1", port=mosquitto.port), "van", outbox, notices, sleep=sleep
        )
        async with publishing(publisher):
            async with asyncio.timeout(OUTER_TIMEOUT):
                await sleep.waiting.wait()
            # A broker without TLS closes the connection, which looks like a broken network: the notice names both.
            assert publisher.state in {"waiting", "configuration"}
            assert "mqtt.tls" in notices.reported[0][1]


async def configuration_fault(broker: BrokerConfig) -> str:
    """Return the alarm of a publisher whose first try must be a fault of the configuration."""
    sleep, notices, outbox = FakeSleep(), Notices(), MemoryOutbox(["meterlink/van/readings/amber"])
    publisher = Publisher(broker, "van", outbox, notices, sleep=sleep)
    async with publishing(publisher):
        async with asyncio.timeout(OUTER_TIMEOUT):
            await sleep.waiting.wait()
        assert (publisher.state, sleep.delays) == ("configuration", [CONFIGURATION_RETRY_DELAY])
    assert outbox.entries
    ((level, text),) = notices.reported
    assert level == "alarm"
    return text


# TLS 1.3 refuses a certificate after the handshake, TLS 1.2 in it.
@pytest.mark.fault("tls-fault")
@pytest.mark.parametrize("version", ["TLSv1.3", "TLSv1.2"])
async def test_a_broker_that_asks_for_a_certificate_gets_it_or_the_fault_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, version: str
) -> None:
    # The broker's own tls_version is the lowest one that it takes.
    newest = tmp_path / "openssl.cnf"
    newest.write_text(f"openssl_conf = c\n[c]\nssl_conf = s\n[s]\nsystem_default = d\n[d]\nMaxProtocol = {version}\n")
    monkeypatch.setenv("OPENSSL_CONF", str(newest))
    authority, stranger = Authority(tmp_path), Authority(tmp_path, "strange authority")
    certificate, key = authority.issue("test broker")
    lines = (
        f"certfile {certificate}",
        f"keyfile {key}",
        f"cafile {authority.path}",
        "require_certificate true",
    )
    async with running_broker(tmp_path, *lines) as mosquitto:
        own, own_key = authority.issue("van")
        context = ssl.create_default_context(cafile=authority.path)
        context.load_cert_chain(own, own_key)
        _, writer = await asyncio.open_connection("127.0.0.1", mosquitto.port, ssl=context)
        assert writer.get_extra_info("ssl_object").version() == version
        writer.close()

        def broker(certificate: Path | None = None, key: Path | None = None) -> BrokerConfig:
            return BrokerConfig(
                "127.0.0.1",
                "teststation1",
                port=mosquitto.port,
                ca_file=authority.path,
                certificate_file=certificate,
                key_file=key,
            )

        outbox = MemoryOutbox(["meterlink/van/readings/amber"])
        async with publishing(Publisher(broker(own, own_key), "van", outbox, Notices())):
            await outbox.empty()
        together = tmp_path / "together.pem"
        together.touch(0o600)
        together.write_bytes(own.read_bytes() + own_key.read_bytes())
        outbox.add("meterlink/van/readings/amber")
        async with publishing(Publisher(broker(together), "van", outbox, Notices())):
            await outbox.empty()

        text = await configuration_fault(broker())
        assert "asks this station for a certificate" in text
        assert "mqtt.certificate_file" in text
        text = await configuration_fault(broker(*stranger.issue("strange van")))
        assert "refused the certificate of this station (unknown ca)" in text
        text = await configuration_fault(broker(*authority.issue("old van", days=-1)))
        assert "refused the certificate of this station (certificate expired)" in text


@pytest.mark.fault("tls-fault")
async def test_files_of_a_certificate_that_cannot_be_used_are_a_configuration_fault(tmp_path: Path) -> None:
    authority = Authority(tmp_path)
    certificate, key = authority.issue("van")
    _, other_key = authority.issue("other van")
    locked, locked_key = authority.issue("locked van", password="secret")  # noqa: S106  # of a key made here
    noise = tmp_path / "noise.pem"
    noise.write_bytes(b"\xff\xfe")

    async def fault(certificate: Path, key: Path | None) -> str:
        return await configuration_fault(
            BrokerConfig("127.0.0.1", "teststation1", port=1, certificate_file=certificate, key_file=key)
        )

    missing = tmp_path / "missing.pem"
    assert f"mqtt.certificate_file {missing} cannot be read (No such file or directory)." in await fault(missing, key)
    assert f"mqtt.key_file {missing} cannot be read" in await fault(certificate, missing)
    text = await fault(certificate, other_key)
    assert f"mqtt.key_file {other_key} is not the key of mqtt.certificate_file {certificate}." in text
    assert f"mqtt.key_file {locked_key} is encrypted." in await fault(locked, locked_key)
    assert f"mqtt.certificate_file {noise} or mqtt.key_file {key} cannot be used" in await fault(noise, key)
    assert f"mqtt.certificate_file {certificate} cannot be used" in await fault(certificate, None), "it has no key"
