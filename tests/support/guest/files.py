"""The files of the guest that the host lacks: kernel, initramfs, BlueZ. Fetched once as Debian packages, and cached.

Nothing is installed: the packages are only unpacked. The cache is the folder in ``METERLINK_GUEST_CACHE``, else the
user's cache.
"""

import gzip
import hashlib
import lzma
import os
import platform
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import platformdirs

QEMU = shutil.which("qemu-system-x86_64")
_MKE2FS = shutil.which("mke2fs", path=os.environ.get("PATH", "") + ":/usr/sbin:/sbin")

CACHE_VARIABLE = "METERLINK_GUEST_CACHE"
_INIT = Path(__file__).with_name("init")

# In the order of loading, each after those that it needs: the disk and the shares of the host, the port of the agent,
# the file systems, the virtual adapter. cmac: BlueZ needs it for Low Energy; crc32c_generic: ext4.
_MODULES = (
    "virtio_pci", "virtio_console", "9pnet_virtio", "9p", "overlay", "virtio_blk", "crc32c_generic", "ext4", "cmac",
    "hci_vhci",
)  # fmt: skip
_FETCH_TIMEOUT = 240  # s; 75 MB over a slow line
_UNPACK_TIMEOUT = 120  # s


class NoGuestError(Exception):
    """The guest cannot be had on this machine; the text is the reason, for a skipped test."""


@dataclass(frozen=True, slots=True)
class GuestFiles:
    """``kernel`` and ``initramfs`` boot the guest, ``tree`` lies over the host's root."""

    folder: Path

    @property
    def kernel(self) -> Path:
        return self.folder / "vmlinuz"

    @property
    def initramfs(self) -> Path:
        return self.folder / "initramfs.gz"

    @property
    def tree(self) -> Path:
        return self.folder / "tree"


def guest_files() -> GuestFiles:
    """Return the files of the guest: from the cache, or fetched and put there.

    Raises:
        NoGuestError: a program is missing here, or the packages cannot be had.
    """
    if reason := _missing():
        raise NoGuestError(reason)
    # The code that makes the files names their folder: a change of it fetches anew.
    version = hashlib.sha256(Path(__file__).read_bytes() + _INIT.read_bytes()).hexdigest()[:12]
    default = platformdirs.user_cache_path("meterlink-guest")
    cache = Path(os.environ.get(CACHE_VARIABLE) or default)
    folder = cache / version
    if not folder.exists():
        cache.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix="new-", dir=cache) as new:
            _make(Path(new))
            try:
                (Path(new) / "files").rename(folder)  # whole or not at all
            except OSError:  # another run was faster
                if not folder.exists():
                    raise
    return GuestFiles(folder)


def _missing() -> str:
    """Return why the guest cannot be had, empty if it can."""
    if sys.platform != "linux" or platform.machine() != "x86_64":
        return "the guest runs the host's own programs: an x86-64 Linux is needed"
    if QEMU is None:
        return "qemu-system-x86_64 is not installed"
    needed = {"mke2fs": _MKE2FS, **{tool: shutil.which(tool) for tool in ("apt-get", "apt-cache", "dpkg-deb")}}
    absent = [tool for tool, path in needed.items() if path is None]
    return f"{', '.join(absent)} is not installed (only Debian was tried)" if absent else ""


def make_data_disk(path: Path) -> None:
    """Make an empty ext4 file system for the guest's data: 200 MB that take no room until they are written."""
    assert _MKE2FS is not None
    with path.open("wb") as file:
        file.truncate(200 << 20)
    _call(_MKE2FS, "-q", "-F", "-t", "ext4", str(path))


def _make(folder: Path) -> None:
    """Make ``files`` in ``folder``."""
    packages = folder / "packages"
    packages.mkdir()
    _fetch(packages)
    unpacked, kernel_tree = folder / "unpacked", folder / "kernel"
    for package in sorted(packages.glob("*.deb")):
        target = kernel_tree if package.name.startswith("linux-image") else unpacked
        _call("dpkg-deb", "-x", str(package), str(target))
    files = folder / "files"
    files.mkdir()
    (kernel,) = (kernel_tree / "boot").glob("vmlinuz-*")
    shutil.copy(kernel, files / "vmlinuz")
    busybox = next(path for path in (unpacked / "bin/busybox", unpacked / "usr/bin/busybox") if path.exists())
    modules = _modules_tree(kernel_tree, busybox)
    _make_initramfs(folder / "initramfs", modules, busybox, files / "initramfs.gz")
    _make_tree(unpacked, files / "tree")


# Packages


def _fetch(folder: Path) -> None:
    (kernel,) = _matches(r"Depends: (linux-image-\S+)", _apt("apt-cache", "depends", "linux-image-amd64"))[:1] or [""]
    if not kernel:
        raise NoGuestError("the package lists of this machine have no kernel: apt-get update, or not Debian")
    # The packages that an installation of BlueZ would add to this machine. The guest sees all else.
    planned = _apt("apt-get", "install", "--simulate", "--no-install-recommends", "bluez", "dbus")
    added = _matches(r"^Inst (\S+)", planned)
    _apt("apt-get", "download", "-q", kernel, "busybox-static", *added, folder=folder)


def _matches(pattern: str, text: str) -> list[str]:
    return re.findall(pattern, text, re.MULTILINE)


def _apt(*command: str, folder: Path | None = None) -> str:
    # 'Unsandboxed' warnings aside, apt needs no rights for any of these.
    environment = {**os.environ, "LC_ALL": "C"}
    try:
        done = subprocess.run(
            [*command], cwd=folder, env=environment, capture_output=True, text=True, timeout=_FETCH_TIMEOUT, check=False
        )
    except subprocess.TimeoutExpired:
        raise NoGuestError(f"{' '.join(command[:2])} did not end within {_FETCH_TIMEOUT} s") from None
    if done.returncode:
        last = (done.stderr.strip().splitlines() or ["no message"])[-1]
        raise NoGuestError(f"{' '.join(command[:2])} failed: {last}")
    return done.stdout


def _call(*command: str) -> None:
    subprocess.run(command, check=True, capture_output=True, timeout=_UNPACK_TIMEOUT)


# The initramfs


def _modules_tree(kernel_tree: Path, busybox: Path) -> Path:
    """Return the folder of the kernel's modules, with the list of those that each needs."""
    (modules,) = next(
        path for path in (kernel_tree / "lib/modules", kernel_tree / "usr/lib/modules") if path.exists()
    ).iterdir()
    if not (modules / "modules.dep").exists():
        _call(str(busybox), "depmod", "-b", str(modules.parents[2]), modules.name)
    return modules


def _make_initramfs(folder: Path, modules: Path, busybox: Path, archive: Path) -> None:
    for name in ("bin", "dev", "proc", "root", "tree", "memory", "new", "modules"):
        (folder / name).mkdir(parents=True)
    shutil.copy(busybox, folder / "bin/busybox")
    shutil.copy(_INIT, folder / "init")
    (folder / "init").chmod(0o755)
    with (folder / "modules/order").open("w") as order:
        for number, module in enumerate(_modules_to_load(modules)):
            name = f"/modules/{number:02}-{module.name.partition('.')[0]}.ko"
            (folder / name[1:]).write_bytes(_module_bytes(module))
            print(name, file=order)
    names = "\n".join(str(path.relative_to(folder)) for path in sorted(folder.rglob("*")))
    packed = subprocess.run(
        [busybox, "cpio", "-o", "-H", "newc"], cwd=folder, input=names.encode(), capture_output=True, check=True
    )
    archive.write_bytes(gzip.compress(packed.stdout, compresslevel=1))


def _modules_to_load(modules: Path) -> list[Path]:
    """Return the files of `_MODULES` and of those that they need, in the order of loading."""
    needs: dict[Path, list[Path]] = {}
    for line in (modules / "modules.dep").read_text().splitlines():
        name, _, rest = line.partition(":")
        needs[_relative(name, modules)] = [_relative(need, modules) for need in rest.split()]
    by_name = {_module_name(path): path for path in needs}
    built_in = {_module_name(Path(line)) for line in (modules / "modules.builtin").read_text().splitlines()}
    order: list[Path] = []

    def load(path: Path) -> None:
        for need in needs[path]:
            load(need)
        if path not in order:
            order.append(path)

    for name in _MODULES:
        if name in by_name:
            load(by_name[name])
        elif name not in built_in:
            raise NoGuestError(f"the kernel has no module {name}")
    return [modules / path for path in order]


def _relative(name: str, modules: Path) -> Path:
    """Return a path of modules.dep below ``modules``: it is relative, or absolute as on the installed system."""
    path = Path(name)
    return Path(*path.parts[path.parts.index(modules.name) + 1 :]) if modules.name in path.parts else path


def _module_name(path: Path) -> str:
    return path.name.partition(".")[0].replace("-", "_")


def _module_bytes(path: Path) -> bytes:
    """Return a module as busybox can load it: not compressed."""
    decompress: Callable[[bytes], bytes] = lzma.decompress if path.suffix == ".xz" else bytes
    return decompress(path.read_bytes())


# The tree over the host's root


def _make_tree(unpacked: Path, tree: Path) -> None:
    """Let /bin and /lib be below /usr, as on the host, whose links they would hide."""
    for name in ("usr", "etc"):
        if (unpacked / name).exists():
            shutil.copytree(unpacked / name, tree / name, symlinks=True)
    for name in _folders_in_usr():
        if (unpacked / name).exists():
            shutil.copytree(unpacked / name, tree / "usr" / name, symlinks=True, dirs_exist_ok=True)


def _folders_in_usr() -> Iterator[str]:
    for name in ("bin", "sbin", "lib", "lib64"):
        if not Path("/", name).is_symlink():
            raise NoGuestError(f"/{name} of this machine is not a link into /usr")
        yield name
