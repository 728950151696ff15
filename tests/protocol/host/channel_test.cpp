#include "protocol/host/channel.h"

#include <fcntl.h>
#include <gtest/gtest.h>
#include <sys/eventfd.h>
#include <sys/socket.h>
#include <unistd.h>

#include <array>
#include <filesystem>
#include <iterator>

#include "protocol/host/messages.h"

namespace creel::host {
namespace {

std::ptrdiff_t open_descriptors() {
  return std::distance(std::filesystem::directory_iterator("/proc/self/fd"), {});
}

class Channel : public ::testing::Test {
 protected:
  Channel() {
    int ends[2] = {-1, -1};
    EXPECT_EQ(::socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0, ends), 0);
    one = Descriptor(ends[0]);
    other = Descriptor(ends[1]);
  }
  Descriptor one, other;
};

TEST_F(Channel, MessagesKeepTheirBoundsAndOrder) {
  EXPECT_EQ(receive_message(other.get(), 0).kind, Received::Kind::nothing_yet);
  ASSERT_TRUE(send_message(one.get(), "first").value());
  ASSERT_TRUE(send_message(one.get(), std::string(kMaxMessageBytes, 'x')).value());
  EXPECT_EQ(receive_message(other.get(), 0).text, "first");
  EXPECT_EQ(receive_message(other.get(), 0).text.size(), kMaxMessageBytes);
}

TEST_F(Channel, DescriptorsArriveAndAreCloseOnExec) {
  const Descriptor event(::eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK));
  const std::array descriptors{event.get(), event.get()};
  ASSERT_TRUE(send_message(one.get(), "two", descriptors).value());
  const Received received = receive_message(other.get(), kMostDescriptors);
  ASSERT_EQ(received.descriptors.size(), 2U);
  EXPECT_EQ(::fcntl(received.descriptors[0].get(), F_GETFD) & FD_CLOEXEC, FD_CLOEXEC);
  const std::uint64_t seven = 7;
  ASSERT_EQ(::write(received.descriptors[1].get(), &seven, sizeof seven), 8);
  std::uint64_t got = 0;
  ASSERT_EQ(::read(event.get(), &got, sizeof got), 8);
  EXPECT_EQ(got, 7U);
}

TEST_F(Channel, DescriptorsThatNobodyAskedForAreClosed) {
  const auto before = open_descriptors();
  const std::array descriptors{one.get(), one.get(), one.get()};
  ASSERT_TRUE(send_message(one.get(), "unasked", descriptors).value());
  EXPECT_TRUE(receive_message(other.get(), 0).descriptors.empty());
  ASSERT_TRUE(send_message(one.get(), "one too many", descriptors).value());
  {
    const Received received = receive_message(other.get(), 2);
    EXPECT_EQ(received.descriptors.size(), 2U);
  }
  EXPECT_EQ(open_descriptors(), before);
}

TEST_F(Channel, ASenderNeverWaitsForAReader) {
  Result<bool> sent = true;
  int count = 0;
  for (; sent.ok() && *sent && count < 10'000; ++count) {
    sent = send_message(one.get(), std::string(10'000, 'x'));
  }
  ASSERT_TRUE(sent.ok());
  EXPECT_FALSE(*sent);
  EXPECT_EQ(receive_message(other.get(), 0).text.size(), 10'000U);
}

TEST_F(Channel, AHangUpIsToldToBothDirections) {
  { const Descriptor gone = std::move(one); }
  EXPECT_EQ(receive_message(other.get(), 0).kind, Received::Kind::hung_up);
  EXPECT_EQ(send_message(other.get(), "anyone?").error().code, ErrorCode::device_lost);
}

TEST_F(Channel, TooLongIsRefusedByTheSenderAndSeenAsTooLongByTheReader) {
  EXPECT_EQ(send_message(one.get(), "").error().code, ErrorCode::invalid_request);
  EXPECT_EQ(send_message(one.get(), std::string(kMaxMessageBytes + 1, 'x')).error().code,
            ErrorCode::invalid_request);
  const std::string rude(kMaxMessageBytes + 5000, 'x');
  ASSERT_EQ(::send(one.get(), rude.data(), rude.size(), 0), static_cast<ssize_t>(rude.size()));
  EXPECT_EQ(receive_message(other.get(), 0).text.size(), kMaxMessageBytes + 1);
}

}  // namespace
}  // namespace creel::host
