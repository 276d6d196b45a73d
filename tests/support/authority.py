"""A certificate authority of the test's own, made with the openssl command."""

from __future__ import annotations

import subprocess
from pathlib import Path


class Authority:
    """Signs the certificates of brokers and clients; its files are in `folder`."""

    def __init__(self, folder: Path, name: str) -> None:
        self.folder = folder
        self.name = name
        self._run(
            f"req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN={name} "
            f"-keyout {name}.key -out {name}.crt"
        )
        self.certificate = folder / f"{name}.crt"

    def sign(self, subject: str, *, days: int = 2) -> tuple[Path, Path]:
        extra = self.folder / f"{subject}.ext"
        extra.write_text("subjectAltName=DNS:localhost,IP:127.0.0.1\n")
        stem = f"{self.name}-{subject}"
        self._run(
            f"req -newkey rsa:2048 -nodes -subj /CN={subject} -keyout {stem}.key -out {stem}.csr"
        )
        self._run(
            f"x509 -req -in {stem}.csr -CA {self.name}.crt -CAkey {self.name}.key -CAcreateserial "
            f"-days {days} -extfile {extra.name} -out {stem}.crt"
        )
        (self.folder / f"{stem}.key").chmod(0o644)
        return self.folder / f"{stem}.crt", self.folder / f"{stem}.key"

    def _run(self, command: str) -> None:
        subprocess.run(
            ["openssl", *command.split()], cwd=self.folder, check=True, capture_output=True
        )
