"""What the cook has to do by hand besides feeding the fire: the steps of a kept plan, own reminders, wood, the grease tray.

Imports pieces, pit and forecast. It says when something is due; whether that calls anybody is decided in `alarms`.
"""
