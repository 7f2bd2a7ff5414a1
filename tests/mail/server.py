"""A mail server for the tests: takes messages and prints each as a line of JSON. Needs Debian's python3-aiosmtpd.

server.py PORT [--certificate PEM --key PEM] [--tls] [--user NAME --password PASSWORD]

With a certificate it asks for STARTTLS, with --tls it speaks TLS from the first byte; with a name it asks for the password.
Addresses that begin with "refused" are refused. It ends with its standard input.
"""

import argparse
import email
import email.policy
import json
import ssl
import sys

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult

arguments = argparse.ArgumentParser()
arguments.add_argument("port", type=int)
arguments.add_argument("--certificate")
arguments.add_argument("--key")
arguments.add_argument("--tls", action="store_true")
arguments.add_argument("--user")
arguments.add_argument("--password")
asked = arguments.parse_args()


class Handler:
    async def handle_RCPT(self, server, session, envelope, address, options):
        if address.startswith("refused"):
            return "550 5.1.1 no such mailbox here"
        envelope.rcpt_tos.append(address)
        return "250 2.1.5 ok"

    async def handle_DATA(self, server, session, envelope):
        message = email.message_from_bytes(envelope.content, policy=email.policy.default)
        line = {
            "from": envelope.mail_from,
            "to": envelope.rcpt_tos,
            "subject": str(message["Subject"]),
            "sender": str(message["From"]),
            "id": str(message["Message-ID"]),
            "automatic": str(message["Auto-Submitted"]),
            "text": message.get_content().replace("\r\n", "\n"),
            "encrypted": asked.tls or session.ssl is not None,
            "signed_in": bool(session.authenticated),
        }
        print(json.dumps(line), flush=True)
        return "250 2.0.0 taken"


def check(server, session, envelope, mechanism, data):
    good = (data.login, data.password) == (asked.user.encode(), asked.password.encode())
    # Not handled: the library itself answers what is wrong.
    return AuthResult(success=good, handled=False)


settings = {"hostname": "127.0.0.1", "port": asked.port}
if asked.certificate:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(asked.certificate, asked.key)
    if asked.tls:
        settings["ssl_context"] = context
    else:
        settings.update(tls_context=context, require_starttls=True)
if asked.user:
    # Under TLS from the first byte the library does not know that passwords are safe.
    settings.update(authenticator=check, auth_required=True, auth_require_tls=not asked.tls)
controller = Controller(Handler(), **settings)
controller.start()
print("ready", flush=True)
sys.stdin.read()
controller.stop()
