"""Settings, the channel catalogue, the airframe's card and the errors a user may meet."""
