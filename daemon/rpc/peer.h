// One connected client: its socket, the bytes that are coming and those that are to go. Private to
// server.cpp.
#pragma once

#include <array>
#include <boost/asio/io_context.hpp>
#include <boost/asio/local/stream_protocol.hpp>
#include <boost/asio/steady_timer.hpp>
#include <cstddef>
#include <deque>
#include <functional>
#include <memory>
#include <string>

#include "daemon/rpc/connection.h"
#include "daemon/rpc/dispatcher.h"
#include "daemon/rpc/framing.h"
#include "daemon/rpc/server.h"

namespace creel::rpc {

class Peer : public std::enable_shared_from_this<Peer> {
 public:
  using Socket = boost::asio::local::stream_protocol::socket;
  /// Called once, when the peer is gone; the reason is empty when it just closed.
  using OnGone = std::function<void(const std::shared_ptr<Peer>& peer, const std::string& reason)>;

  Peer(Socket socket, Dispatcher& dispatcher, const ServerOptions& options, OnGone on_gone);
  void start();
  /// Sends what is queued and a last notification with the reason, then closes; closes anyway after
  /// the time for farewells.
  void say_goodbye(std::string reason);
  /// Closes at once, without on_gone.
  void close();
  [[nodiscard]] const Connection& connection() const { return *connection_; }
  void answer_pending(const Error& error) { connection_->answer_pending(error); }

 private:
  void read();
  void take(std::size_t bytes);
  void end_of_input();
  void enqueue(std::shared_ptr<const std::string> line);
  void overflow();
  void write();
  void written();
  void gone(const std::string& reason);

  Socket socket_;
  boost::asio::steady_timer farewell_timer_;
  Dispatcher& dispatcher_;
  const ServerOptions options_;
  OnGone on_gone_;
  std::shared_ptr<Connection> connection_;
  LineSplitter lines_{kMaxLineBytes};
  std::array<char, 65536> incoming_{};
  std::deque<std::shared_ptr<const std::string>> outgoing_;  ///< the first is being written
  std::size_t outgoing_bytes_ = 0;
  bool writing_ = false;
  bool input_ended_ = false;
  bool leaving_ = false;  ///< nothing more is read or queued
  bool closed_ = false;
  std::string leaving_reason_;
};

}  // namespace creel::rpc
