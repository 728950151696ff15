// publisher HOST:PORT: publishes a state and then waits to be killed.
#include <unistd.h>

#include <cstdio>

#include "daemon/alerts/mqtt.h"

int main(int argc, char** argv) {
  creel::MqttOptions options;
  if (argc != 2 || !creel::read_broker(argv[1], options).ok()) {
    return 2;
  }
  options.name = "child";
  creel::MqttChannel channel(options, [](const std::string& line) { std::puts(line.c_str()); });
  channel.state({{"state", "running"}});
  while (true) {
    pause();
  }
}
