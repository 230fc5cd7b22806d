"""The daemon: wires a radio to the store, keeps recurring work going, tells systemd and the log how it fares."""
