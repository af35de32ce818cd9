/* SPDX-License-Identifier: MIT */
/* What a recipe wanted, message after message, from its process to the world's: in large pieces, for nothing comes back. */
#include "rehearse_private.h"

#include <errno.h>
#include <string.h>
#include <sys/socket.h>

size_t stream_size(int kind)
{
    return kind == STREAM_HAND    ? sizeof(struct stream_hand)
           : kind == STREAM_TALLY ? sizeof(struct stream_tally)
                                  : wire_size(kind);
}

void stream_flush(struct stream *stream)
{
    size_t sent = 0;

    while (sent < stream->used) {
        ssize_t n = send(stream->fd, stream->bytes + sent, stream->used - sent, MSG_NOSIGNAL);
        if (n < 0 && errno != EINTR)
            break; /* nobody listens any more: the world has seen its end */
        sent += n > 0 ? (size_t)n : 0;
    }
    stream->used = 0;
}

void stream_put(struct stream *stream, const void *message)
{
    struct wire_head head;

    memcpy(&head, message, sizeof head);
    size_t size = stream_size(head.kind);
    if (size > sizeof stream->bytes - stream->used)
        stream_flush(stream);
    memcpy(stream->bytes + stream->used, message, size);
    stream->used += size;
}

/* `size` bytes of it; false: it is over before. */
static bool take(struct stream *stream, void *out, size_t size)
{
    for (size_t had = 0; had < size;) {
        size_t left = stream->used - stream->at;
        if (left > 0) {
            size_t n = left < size - had ? left : size - had;
            memcpy((char *)out + had, stream->bytes + stream->at, n);
            stream->at += n;
            had += n;
            continue;
        }
        struct iovec space = {.iov_base = stream->bytes, .iov_len = sizeof stream->bytes};
        struct msghdr header = {.msg_iov = &space, .msg_iovlen = 1};
        ssize_t n = recvmsg(stream->fd, &header, 0); /* the sandbox has recvmsg, no recv */
        if (n == 0 || (n < 0 && errno != EINTR))
            return false;
        stream->at = 0;
        stream->used = n > 0 ? (size_t)n : 0;
    }
    return true;
}

int stream_get(struct stream *stream, void *message)
{
    struct wire_head head;

    if (!take(stream, &head, sizeof head))
        return TL_ENDED;
    size_t size = stream_size(head.kind);
    if (size < sizeof head || head.version != WIRE_VERSION)
        return TL_BAD;
    memcpy(message, &head, sizeof head);
    return take(stream, (char *)message + sizeof head, size - sizeof head) ? head.kind : TL_ENDED;
}
