#include "daemon/rpc/connection.h"

#include <algorithm>
#include <utility>

namespace creel::rpc {

using nlohmann::json;

std::shared_ptr<Connection> Connection::make(std::string peer, Send send) {
  return std::shared_ptr<Connection>(new Connection(std::move(peer), std::move(send)));
}

void Connection::notify(std::string_view method, const json& params) {
  send(std::make_shared<const std::string>(notification_line(method, params)));
}

void Connection::send(std::shared_ptr<const std::string> line) {
  if (send_) send_(std::move(line));
}

std::size_t Connection::answers_due() const {
  return static_cast<std::size_t>(
      std::count_if(pending_.begin(), pending_.end(),
                    [](const PendingCall* call) { return !call->is_notification(); }));
}

void Connection::answer_pending(const Error& error) {
  while (!pending_.empty()) (*pending_.begin())->reply(error);  // each reply takes itself out
}

void Connection::close() {
  send_ = nullptr;
  topics_.clear();
}

void Answers::add(json response) {
  responses_.push_back(std::move(response));
  --missing_;
  send_if_complete();
}

void Answers::seal() {
  sealed_ = true;
  send_if_complete();
}

void Answers::send_if_complete() {
  if (!sealed_ || missing_ > 0 || responses_.empty()) return;  // notifications alone: silence
  to_->send(std::make_shared<const std::string>(to_line(batch_ ? responses_ : responses_.front())));
  responses_.clear();
}

PendingCall::PendingCall(std::shared_ptr<Connection> connection, std::shared_ptr<Answers> answers,
                         const Request& request)
    : connection_(std::move(connection)),
      answers_(std::move(answers)),
      id_(request.id),
      method_(request.method),
      notification_(request.notification) {
  connection_->pending_.insert(this);
  if (!notification_) answers_->expect();
}

PendingCall::~PendingCall() {
  if (!answered_) fail(make_fault(kInternalError, method_ + " ended without an answer"));
}

bool PendingCall::settle() {
  if (std::exchange(answered_, true)) return false;
  connection_->pending_.erase(this);
  return !notification_;
}

void PendingCall::reply(Result<json> result) {
  if (!result.ok()) return fail(make_fault(result.error()));
  if (settle()) answers_->add(make_response(id_, std::move(*result)));
}

void PendingCall::fail(const Fault& fault) {
  if (settle()) answers_->add(make_response(id_, fault));
}

}  // namespace creel::rpc
