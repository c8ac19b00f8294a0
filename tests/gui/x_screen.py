"""Windows of other processes on an X screen: found by title, and closed as a person would."""

from __future__ import annotations

import ctypes
from ctypes import POINTER, byref, c_char_p, c_int, c_long, c_uint, c_ulong, c_void_p

CLIENT_MESSAGE = 33
"""X11 protocol, X.h: the type of a ClientMessage event."""


class Message(ctypes.Structure):
    """XClientMessageEvent of Xlib.h."""

    _fields_ = (
        ("type", c_int),
        ("serial", c_ulong),
        ("send_event", c_int),
        ("display", c_void_p),
        ("window", c_ulong),
        ("message_type", c_ulong),
        ("format", c_int),
        ("data", c_long * 5),
    )


class Event(ctypes.Union):
    """XEvent of Xlib.h, of which only one kind is used."""

    _fields_ = (("message", Message), ("pad", c_long * 24))


class Screen:
    """The X screen of this process."""

    def __init__(self):
        self._x = ctypes.CDLL("libX11.so.6")
        self._x.XOpenDisplay.restype = c_void_p
        self._x.XDefaultRootWindow.restype = c_ulong
        self._x.XInternAtom.restype = c_ulong
        self._display = c_void_p(self._x.XOpenDisplay(None))
        # A window may go while it is asked for its title: that is no error here.
        self._handler = ctypes.CFUNCTYPE(c_int, c_void_p, c_void_p)(lambda *_: 0)
        self._x.XSetErrorHandler(self._handler)

    def find(self, title: str) -> int | None:
        """Return the window that is in sight under a title."""
        root = c_ulong(self._x.XDefaultRootWindow(self._display))
        for window in self._children(root):
            if self._title(window) == title:
                return window
        return None

    def _children(self, window):
        root, parent, count = c_ulong(), c_ulong(), c_uint()
        found = POINTER(c_ulong)()
        self._x.XQueryTree(
            self._display, window, byref(root), byref(parent), byref(found), byref(count)
        )
        children = [found[place] for place in range(count.value)]
        if children:
            self._x.XFree(found)
        return children

    def _title(self, window) -> str:
        name = c_char_p()
        self._x.XFetchName(self._display, c_ulong(window), byref(name))
        return (name.value or b"").decode()

    def close_window(self, window: int) -> None:
        """Ask a window to close, as its close button does (ICCCM 4.2.8.1, WM_DELETE_WINDOW)."""
        atom = lambda name: self._x.XInternAtom(self._display, name, 0)  # noqa: E731
        event = Event()
        event.message.type, event.message.window = CLIENT_MESSAGE, window
        event.message.message_type, event.message.format = atom(b"WM_PROTOCOLS"), 32
        event.message.data[0] = atom(b"WM_DELETE_WINDOW")
        self._x.XSendEvent(self._display, c_ulong(window), 0, 0, byref(event))
        self._x.XFlush(self._display)

    def leave(self) -> None:
        """Let the screen go."""
        self._x.XCloseDisplay(self._display)
