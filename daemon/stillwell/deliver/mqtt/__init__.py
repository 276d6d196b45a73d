"""The MQTT sink: retained readings, alarms and estimates, notices, and commands from people.

How far a broker is trusted: a PUBACK says that the broker has the message, not that it will still
have it tomorrow. A mosquitto that is killed forgets what it acknowledged since it last wrote its
memory to disk, and by default it never writes it. So:

- *State* (readings, alarms, estimates, alive) is retained and kept here as well, the latest of
  each; after every reconnect all of it is published again.
- *Notices* arrive at least once. Their PUBACK moves the cursor; if the daemon is killed before that
  is kept, it sends them again under the same key (in the payload, and as the user property
  ``key``). The broker is asked to keep a session for us. If it still has the session after a
  reconnect, only the connection was lost, and no notice is repeated. If it does not (or speaks
  3.1.1, where we keep no session), the notices that it acknowledged within `resend` before the loss
  are sent again: a phone that beeps twice is better than one that never does, and a recipient that
  keeps the keys shows it once. A broker that restores an *old* memory with our session in it cannot
  be told from one that was away; the standing alarm's retained state then says what its notice
  said.
"""

from stillwell.deliver.mqtt.settings import MqttSettings
from stillwell.deliver.mqtt.sink import Mqtt
