#include "daemon/rpc/peer.h"

#include <sys/socket.h>

#include <boost/asio/buffer.hpp>
#include <boost/asio/error.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/write.hpp>
#include <chrono>
#include <string_view>
#include <utility>

namespace creel::rpc {
namespace {

using boost::system::error_code;

std::string who(int socket) {
  ucred peer{};
  socklen_t size = sizeof peer;
  if (::getsockopt(socket, SOL_SOCKET, SO_PEERCRED, &peer, &size) != 0) return "unknown process";
  return "pid " + std::to_string(peer.pid) + ", user " + std::to_string(peer.uid);
}

}  // namespace

Peer::Peer(Socket socket, Dispatcher& dispatcher, const ServerOptions& options, OnGone on_gone)
    : socket_(std::move(socket)),
      farewell_timer_(socket_.get_executor()),
      dispatcher_(dispatcher),
      options_(options),
      on_gone_(std::move(on_gone)) {}

void Peer::start() {
  connection_ =
      Connection::make(who(socket_.native_handle()),
                       [weak = weak_from_this()](std::shared_ptr<const std::string> line) {
                         if (const auto self = weak.lock()) self->enqueue(std::move(line));
                       });
  dispatcher_.join(connection_);
  read();
}

void Peer::read() {
  socket_.async_read_some(boost::asio::buffer(incoming_),
                          [self = shared_from_this()](const error_code& error, std::size_t bytes) {
                            if (self->closed_ || self->leaving_) return;
                            if (error == boost::asio::error::eof) return self->end_of_input();
                            if (error) return self->gone(error.message());
                            self->take(bytes);
                          });
}

void Peer::take(std::size_t bytes) {
  const auto handle = [this](std::string_view line) {
    dispatcher_.handle(line, connection_);
    return !leaving_ && !closed_;
  };
  if (lines_.feed({incoming_.data(), bytes}, handle)) read();
}

/// The peer sends no more but may still read: it gets the answers that are due, and then the end.
void Peer::end_of_input() {
  lines_.finish([this](std::string_view line) {
    dispatcher_.handle(line, connection_);
    return true;
  });
  if (leaving_ || closed_) return;
  input_ended_ = true;
  connection_->unsubscribe_all();
  if (!writing_) written();
}

void Peer::enqueue(std::shared_ptr<const std::string> line) {
  if (leaving_ || closed_) return;
  if (!outgoing_.empty() && outgoing_bytes_ + line->size() > options_.max_queue_bytes)
    return overflow();
  outgoing_bytes_ += line->size();
  outgoing_.push_back(std::move(line));
  if (!writing_) write();
}

void Peer::overflow() {
  leaving_ = true;  // at once; the rest when the connection is not in the middle of sending
  leaving_reason_ =
      "it did not read: " + std::to_string(outgoing_bytes_) +
      " bytes waited for it, and a peer that does not read must not hold up the others";
  boost::asio::post(socket_.get_executor(), [self = shared_from_this()] {
    if (self->closed_) return;
    if (self->outgoing_.size() > 1)
      self->outgoing_.resize(1);  // a line that is half out is finished
    self->outgoing_bytes_ = self->outgoing_.empty() ? 0 : self->outgoing_.front()->size();
    self->leaving_ = false;
    self->say_goodbye(self->leaving_reason_);
  });
}

void Peer::say_goodbye(std::string reason) {
  if (leaving_ || closed_) return;
  leaving_reason_ = std::move(reason);
  const std::string line = notification_line("goodbye", {{"reason", leaving_reason_}});
  outgoing_bytes_ += line.size();
  outgoing_.push_back(std::make_shared<const std::string>(line));  // whatever the limit
  if (!writing_) write();
  leaving_ = true;
  dispatcher_.leave(connection_);
  connection_->close();
  farewell_timer_.expires_after(std::chrono::nanoseconds(options_.farewell.value));
  farewell_timer_.async_wait([self = shared_from_this()](const error_code& error) {
    if (!error) self->gone(self->leaving_reason_);
  });
}

void Peer::write() {
  writing_ = true;
  boost::asio::async_write(socket_, boost::asio::buffer(*outgoing_.front()),
                           [self = shared_from_this()](const error_code& error, std::size_t) {
                             if (self->closed_) return;
                             if (error) return self->gone(error.message());
                             self->writing_ = false;
                             self->outgoing_bytes_ -= self->outgoing_.front()->size();
                             self->outgoing_.pop_front();
                             self->written();
                           });
}

void Peer::written() {
  if (!outgoing_.empty()) return write();
  if (leaving_) return gone(leaving_reason_);
  if (input_ended_ && connection_->answers_due() == 0) gone("");
}

void Peer::gone(const std::string& reason) {
  if (closed_) return;
  const auto self = shared_from_this();
  const OnGone on_gone = std::move(on_gone_);
  close();
  if (on_gone) on_gone(self, reason);
}

void Peer::close() {
  if (closed_) return;
  closed_ = true;
  on_gone_ = nullptr;
  dispatcher_.leave(connection_);
  connection_->close();
  farewell_timer_.cancel();
  error_code ignored;
  socket_.close(ignored);
}

}  // namespace creel::rpc
