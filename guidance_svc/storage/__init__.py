"""What the service writes as it runs, so that nothing is lost: recordings and the journal of sessions.

In: messages and sessions. Out: files that survive a kill and a loss of power, and sessions read back from them. May
import `session` and below; opens no socket."""
