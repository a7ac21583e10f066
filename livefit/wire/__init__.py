"""What travels between the processes, and the sockets it travels on."""
