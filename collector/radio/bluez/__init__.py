"""The radio on the system's own Bluetooth stack.

    radio = BlueZRadio(adapter="hci0" or None for all, witness=WitnessUse.AUTO, person=None)
    await radio.run(sink, plan, stop)

`collector.systemd_notify` has what a service needs of systemd's descriptor store; the radio itself takes a socket
that was kept (name 'witness', with 'witness-memory') and hands its own in.
"""

from collector.radio.bluez.radio import BlueZRadio

__all__ = ["BlueZRadio"]
