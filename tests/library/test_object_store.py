"""A library on an object store: a local server that speaks the S3 interface."""

import os
import socket
import subprocess
import sys
import time

import pandas as pd
import pytest
from pyarrow import fs

from tests.library.test_store import runs
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
