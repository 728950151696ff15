// Not creel-host: a process in its place that does what a broken one might. What it does stands in
// the "config" of its "open" call.
#include <sys/socket.h>
#include <unistd.h>

#include <cstring>
#include <string>

int main() {
  std::string order(70'000, '\0');
  const ssize_t got = ::recv(3, order.data(), order.size(), 0);
  order.resize(got > 0 ? static_cast<std::size_t>(got) : 0);
  const auto told_to = [&](const char* what) { return order.find(what) != std::string::npos; };
  const auto say = [](const std::string& text) {
    return ::send(3, text.data(), text.size(), MSG_NOSIGNAL) >= 0;
  };

  if (told_to("open and flood") || told_to("open and stay")) {
    say(R"({"id":1,"ok":{}})");
  }
  if (told_to("flood")) {
    while (say(R"({"event":"log","level":"info","text":"again"})")) {
    }
    return 0;
  }
  if (told_to("speak nonsense")) {
    say("}{");
    say(std::string(65'537, ' '));
    say(R"({"id":1,"ok":{},"error":{}})");
  }
  if (told_to("say goodbye and end")) {
    say(R"({"event":"goodbye"})");
    return 7;
  }
  if (told_to("close")) {
    ::close(3);
  }
  for (;;) {  // never reads, never hears of a hang-up
    ::pause();
  }
}
