"""A library on an object store: a local server that speaks the S3 interface."""

import os
import socket
import subprocess
import sys
import textwrap
import time

import pandas as pd
import pytest
from pyarrow import fs

from tests.library.test_store import runs
from thermcmp.errors import InputError, LibraryError
from thermcmp.library import writer_lock
from thermcmp.library.store import Library

if not os.environ.get("THERMCMP_REQUIRE_ALL"):
    pytest.importorskip("moto")


@pytest.fixture(scope="module")
def bucket():
    """Options of a URL of the server, which holds an empty bucket."""
    with socket.socket() as free:
        free.bind(("localhost", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-W", "ignore", "-m", "moto.server", "-p", str(port)]
    server = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("AWS_ACCESS_KEY_ID", "testing")
        patch.setenv("AWS_SECRET_ACCESS_KEY", "testing")
        place = {"endpoint_override": f"localhost:{port}", "scheme": "http", "region": "us-east-1"}
        for _ in range(300):
            with socket.socket() as tried:
                if tried.connect_ex(("localhost", port)) == 0:
                    break
            assert server.poll() is None
            time.sleep(0.2)
        fs.S3FileSystem(**place, allow_bucket_creation=True).create_dir("bucket")
        yield "&".join(f"{name}={value}" for name, value in place.items())
    server.terminate()
    server.wait()


def test_a_library_lives_in_a_bucket(bucket):
    root = f"s3://bucket/bench?{bucket}"
    library = Library(root)
    assert library.add(runs(0, 4, product="Heron 1"), source="monday.csv").new == 4
    assert library.add(runs(2, 6, product="Heron 1")).known == 2
    library.supersede(runs(0, 1, product="Heron 1", power_w=230.0), "meter was off")
    again = Library(root)
    powers = again.results(product="Heron 1", columns=["power_w"])["power_w"]
    assert powers.tolist() == [230.0] + [220.0] * 5
    before = again.history()
    assert len(again.compact()) == 1
    pd.testing.assert_frame_equal(Library(root).history(), before)
    assert library.verify() == []
    assert library.repair() == []


#: Writers forked together, each with imports of its own and one that all of them have.
WRITERS = """
    import sys
    import pandas as pd
    from thermcmp.library.store import Library

    def rows(number):
        return pd.DataFrame({"run": [f"r{number} {i}" for i in range(3)], "sensor": "memory",
            "cooler_model": "Alder r1", "board_model": "Quarz", "temperature_c": 80.0,
            "ambient_c": 21.5, "power_w": 220.0})

    for number in (*range(int(sys.argv[2]) * 10, int(sys.argv[2]) * 10 + 3), 99):
        Library(sys.argv[1]).add(rows(number))
"""


def test_writers_of_a_bucket_come_one_after_the_other(bucket):
    root = f"s3://bucket/many?{bucket}"
    command = [sys.executable, "-c", textwrap.dedent(WRITERS), root]
    writers = [subprocess.Popen([*command, str(number)]) for number in range(3)]
    assert [writer.wait() for writer in writers] == [0, 0, 0]
    library = Library(root)
    assert len(library.results()) == len(library.history()) == 30
    assert library.verify() == []
    assert library._lock._folder.names() == []
    with library._lock.held(), pytest.MonkeyPatch.context() as patch:
        patch.setattr(writer_lock, "PATIENCE_S", 0.0)
        with pytest.raises(LibraryError, match="Another process writes"):
            Library(root).add(runs(50, 52))


def test_a_url_without_a_bucket_is_refused():
    with pytest.raises(InputError, match="no bucket or folder"):
        Library("s3://?region=us-east-1")
