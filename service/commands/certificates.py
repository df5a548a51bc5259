"""The shop's own certificates: made, renewed, and said what they are for."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from service.address import own_address
from service.certificates import CA_FILE, CertificateError, names_of_this_machine, renew
from service.clock import WallClock
from service.commands.common import fail, shop_settings

__all__ = ["run"]


def run(folder: str | None, names: Sequence[str], *, anew: bool) -> None:
    """Make or renew them; the service that runs takes a new one up by itself."""
    into = (
        shop_settings().certificates_folder if folder is None else Path(folder).expanduser()
    ).absolute()
    wanted = names or [*names_of_this_machine(), own_address()]
    try:
        made = renew(into, wanted, WallClock().now(), anew=anew)
    except CertificateError as error:
        fail(str(error))
    print(f"Authority: {into / CA_FILE}{' (new)' if made.new_authority else ''}")
    print(f"  SHA-256 {made.fingerprint}")
    state = "new" if made.new_server else "still good"
    print(f"Certificate ({state}, until {made.until:%Y-%m-%d}) for {', '.join(made.names)}")
    if made.new_authority:
        print(
            f"Devices are to trust {CA_FILE}; it is no secret. ca.key is one: nobody needs it but"
        )
        print("this command. Settings: BOOTHGLASS_MQTT_TLS=true, BOOTHGLASS_WEB_TLS=true")
        if folder is not None:
            print(f"  and BOOTHGLASS_CERTIFICATES={into}")
