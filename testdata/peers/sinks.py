"""A mail sink and a webhook sink in Python's standard library. Every mail and
every request is written to a file of its own.

usage: sinks.py SMTP_HOST:PORT HOOK_HOST:PORT FOLDER KEY
"""
import hashlib
import hmac
import http.server
import itertools
import os
import socketserver
import sys
import threading

smtp, hook, folder, key = sys.argv[1:]
numbers = itertools.count()


def keep(kind, text):
    name = os.path.join(folder, f"{kind}-{next(numbers):04d}")
    with open(name, "w", encoding="utf-8") as f:
        f.write(text)


class Mail(socketserver.StreamRequestHandler):
    def say(self, text):
        self.wfile.write(text.encode() + b"\r\n")

    def handle(self):
        self.say("220 sink")
        while True:
            line = self.rfile.readline()
            word = line[:4].upper()
            if not line or word == b"QUIT":
                self.say("221 bye")
                return
            if word != b"DATA":
                self.say("250 ok")
                continue
            self.say("354 go on")
            body = b""
            while (line := self.rfile.readline()) not in (b".\r\n", b""):
                body += line
            keep("mail", body.decode())
            self.say("250 taken")


class Hook(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"]))
        stamp = self.headers["Tickover-Time"].encode()
        want = "sha256=" + hmac.new(key.encode(), stamp + b"." + body, hashlib.sha256).hexdigest()
        good = hmac.compare_digest(want, self.headers["Tickover-Signature"])
        keep("hook", ("signature good\n" if good else "signature BAD\n") + body.decode())
        self.send_response(204)
        self.end_headers()

    def log_message(self, *_):
        pass


def serve(kind, address, handler):
    host, port = address.rsplit(":", 1)
    server = kind((host, int(port)), handler)
    threading.Thread(target=server.serve_forever).start()


serve(socketserver.ThreadingTCPServer, smtp, Mail)
serve(http.server.ThreadingHTTPServer, hook, Hook)
