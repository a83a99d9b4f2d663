"""A PostgreSQL server of the tests' own, in a temporary folder, reached by a socket in it and by nobody else.

python tests/private_server.py COMMAND...    runs a command with the server's address in FAIRTANK_TEST_SERVER
"""

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

VARIABLE = "FAIRTANK_TEST_SERVER"
OWNER = "owner"
# A crash of the server's processes loses nothing that they wrote, with fsync or without: only the machine's would.
SETTINGS = {
    "fsync": "off",
    "full_page_writes": "off",
    "shared_buffers": "16MB",
    "max_connections": "40",
    "wal_level": "minimal",
    "max_wal_senders": "0",
    "listen_addresses": "",
}


def programs():
    """The folder of initdb and pg_ctl; None where there is no PostgreSQL server."""
    found = shutil.which("initdb")
    places = [Path(found).resolve().parent] if found else []
    places += sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda place: float(place.parent.name))
    whole = [place for place in places if (place / "initdb").exists() and (place / "pg_ctl").exists()]
    return whole[-1] if whole else None


def at_hand():
    """Whether tests can have a server: one that was started for them, or the programs to start their own."""
    return VARIABLE in os.environ or programs() is not None


class PrivateServer:
    """Starts on entering the ``with`` block, stops and is removed on leaving it."""

    def __init__(self, **settings):
        self._settings = SETTINGS | settings
        self._programs = programs()
        if self._programs is None:
            raise FileNotFoundError(
                "no PostgreSQL server is installed: initdb and pg_ctl are not to be found"
            )
        self.folder = Path(tempfile.mkdtemp(prefix="fairtank-server-"))
        self.data = self.folder / "data"
        self._as = {}
        if os.geteuid() == 0:  # the server refuses to run as root
            import pwd  # only where there is such a thing as root

            names = {user.pw_name: user for user in pwd.getpwall()}
            user = names.get("postgres") or names["nobody"]
            os.chown(self.folder, user.pw_uid, user.pw_gid)
            self._as = {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}

    def set(self, **settings):
        """Change settings, for the next start."""
        self._settings |= settings

    def run(self, program, *arguments):
        """Run one of the server's programs, or another one, as the user that the server runs as."""
        own = self._programs / program
        return subprocess.run(
            [own if own.exists() else program, *map(str, arguments)],
            cwd=self.folder,
            env={
                "PATH": os.environ["PATH"],
                "LC_ALL": "C",
                "PGHOST": str(self.folder),
                "PGUSER": OWNER,
                "PGPORT": self._settings.get("port", "5432"),
            },
            stdin=subprocess.DEVNULL,
            capture_output=True,
            check=True,
            **self._as,
        ).stdout

    def start(self):
        settings = self._settings | {"unix_socket_directories": str(self.folder)}
        options = " ".join(f"-c {name}='{value}'" for name, value in settings.items())
        # With its log in a file, so that no pipe of ours stays open in the server.
        self.run("pg_ctl", "start", "-w", "-s", "-D", self.data, "-l", self.folder / "log", "-o", options)

    def stop(self, mode="immediate"):
        self.run("pg_ctl", "stop", "-w", "-s", "-D", self.data, "-m", mode)

    def url(self, database="postgres", user=OWNER):
        return f"postgresql://{user}@/{database}?host={self.folder}&port={self._settings.get('port', 5432)}"

    def __enter__(self):
        self.run(
            *("initdb", "-D", self.data, "-U", OWNER, "--auth=trust", "--encoding=UTF8", "--locale=C"),
            *("--no-sync", "--data-checksums"),
        )
        self.start()
        # Ends the server when this process closes the pipe or, however it comes to its end, has the system close it.
        clear = 'cat >/dev/null; "$0" stop -s -D "$1" -m immediate; rm -rf "$2"'
        self._keeper = subprocess.Popen(
            ["sh", "-c", clear, self._programs / "pg_ctl", self.data, self.folder],
            cwd="/",
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
            **self._as,
        )
        return self

    def __exit__(self, *_):
        self._keeper.stdin.close()
        self._keeper.wait()


def main():
    with PrivateServer() as server:
        return subprocess.run(sys.argv[1:], env=os.environ | {VARIABLE: server.url()}, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
