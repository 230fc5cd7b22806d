"""The radio on the system's own Bluetooth stack.

    radio = BlueZRadio(adapter="hci0" or None for all, witness="auto" | "on" | "off", standing=True, ask_passkey=None)
    await radio.run(desk, plan, stop)

`monitor.descriptor_store` has what a service needs of systemd's descriptor store; the radio itself takes a socket
that was kept (name 'witness', with 'witness-memory') and hands its own in.
"""

from collector.radio.bluez.radio import BlueZRadio

__all__ = ["BlueZRadio"]
