"""The app's frame and its command, without a server."""

import socket

import pytest

pytest.importorskip("ipywidgets")

import ipywidgets as widgets

from thermnet import explore
from thermnet.app import serve
from thermnet.app.pages import Page, all_pages
from thermnet.app.shell import Shell
from thermnet.cli import main
from thermnet.errors import DesignError


def test_every_explorer_is_a_page():
    titles = [page.title for page in all_pages()]
    assert titles[0] == "Lessons"
    assert [title.lower() for title in titles[1:]] == [name.replace("_", " ") for name in explore.EXPLORERS]


def test_pages_are_built_when_first_opened_and_kept():
    built = []

    def build(name):
        built.append(name)
        return widgets.HTML(name)

    shell = Shell([Page("One", lambda: build("one")), Page("Two", lambda: build("two"))])
    assert built == ["one"]
    shell.buttons["Two"].value = True
    assert built == ["one", "two"]
    assert [button.value for button in shell.buttons.values()] == [False, True]
    shell.buttons["One"].value = True
    shell.buttons["Two"].value = True
    assert built == ["one", "two"]
    shell.buttons["Two"].value = False  # pressed again: stays
    assert shell.buttons["Two"].value
    assert shell.place.children[0].value == "two"


def test_a_page_that_fails_is_told_and_the_others_work():
    def broken():
        raise RuntimeError("no <such> part")

    shell = Shell([Page("One", lambda: widgets.HTML("one")), Page("Two", broken)])
    shell.buttons["Two"].value = True
    assert "Two: no &lt;such&gt; part" in shell.place.children[0].value
    assert 'role="alert"' in shell.place.children[0].value
    shell.buttons["One"].value = True
    assert shell.place.children[0].value == "one"


def test_a_page_that_takes_long_says_so_meanwhile():
    seen = []

    def slow():
        seen.append((shell.place.children[0].value, [button.value for button in shell.buttons.values()]))
        return widgets.HTML("two")

    shell = Shell([Page("One", lambda: widgets.HTML("one")), Page("Two", slow)])
    shell.buttons["Two"].value = True
    ((told, pressed),) = seen
    assert "Two is being prepared" in told
    assert 'role="status"' in told
    assert pressed == [False, True]
    assert shell.place.children[0].value == "two"


def test_served_on_this_machine_with_idle_kernels_ended(monkeypatch):
    monkeypatch.setattr(serve, "find_spec", lambda name: object())
    words = serve.command(9000, idle=300)
    assert "--Voila.ip=127.0.0.1" in words
    assert "--port=9000" in words
    assert "--MappingKernelManager.cull_idle_timeout=300" in words
    assert "--no-browser" in words
    assert "--no-browser" not in serve.command(9000, browser=True)
    assert "--Voila.port_retries=0" in words  # the address that is told, or none
    assert serve.NOTEBOOK.is_file()


def test_the_page_asks_nothing_of_the_network():
    page = next(serve.TEMPLATES.rglob("index.html.j2")).read_text(encoding="utf-8")
    assert "http" not in page
    assert "block notebook_css" in page  # the block in which voila names its icon fonts


def test_without_voila_the_install_line_is_told(monkeypatch, capsys):
    monkeypatch.setattr(serve, "find_spec", lambda name: None)
    assert main(["app"]) == 2
    assert 'pip install "thermnet[app]"' in capsys.readouterr().err


def test_ports_that_are_none_are_refused():
    for port in (0, 70_000, -1):
        with pytest.raises(DesignError, match="a number from 1 to 65535"):
            serve.command(port)


def test_a_home_that_cannot_be_written_is_no_hindrance(monkeypatch, tmp_path):
    own = tmp_path / "own"
    monkeypatch.setenv("JUPYTER_DATA_DIR", str(own))
    assert serve.environment()["JUPYTER_DATA_DIR"] == str(own)
    (tmp_path / "file").write_text("not a folder", encoding="utf-8")
    monkeypatch.setenv("JUPYTER_DATA_DIR", str(tmp_path / "file" / "jupyter"))
    monkeypatch.setattr(serve.tempfile, "tempdir", str(tmp_path))
    monkeypatch.delenv("MPLCONFIGDIR", raising=False)
    monkeypatch.setenv("JUPYTER_CONFIG_DIR", "set by the user")
    found = serve.environment()
    assert found["JUPYTER_DATA_DIR"].startswith(str(tmp_path / "thermnet-app-"))
    assert found["MPLCONFIGDIR"] == found["JUPYTER_DATA_DIR"]
    assert found["JUPYTER_CONFIG_DIR"] == "set by the user"


@pytest.fixture
def taken():
    """A port on which something else listens."""
    with socket.create_server(("127.0.0.1", 0)) as door:
        yield door.getsockname()[1]


def test_addresses_that_cannot_be_served_on_are_told_in_a_sentence(monkeypatch, capsys, taken):
    monkeypatch.setattr(serve, "find_spec", lambda name: object())
    assert main(["app", "--port", str(taken)]) == 2
    said = capsys.readouterr()
    assert f"--port: {taken} is taken by another program; expected a free port. Try --port {taken + 1}" in said.err
    assert said.out == ""  # no address that is not served
    for host in ("203.0.113.7", "no-such-name.invalid"):  # a documentation address (RFC 5737), a name that is none
        assert main(["app", "--host", host]) == 2
        said = capsys.readouterr()
        assert f"--host: {host}; expected an address of this machine" in said.err
        assert said.out == ""
