/* A disk that plays tricks, for whatever program is started with this library
 * preloaded (LD_PRELOAD). Only files under TRICKS_UNDER are touched.
 *
 * TRICKS_JOURNAL=FILE  writes down there, for every write, cut and rename, what was
 *                      there before and what is after, and every sync. Whoever kills
 *                      the program can then play the power cut: take back what had
 *                      not been synced (tests/studies/killing/disk.rs does).
 * TRICKS_SYNC_US=N     a sync takes so many microseconds.
 * TRICKS_FAIL=KIND     from the TRICKS_FROM-th such act on (counted from 1),
 *                      TRICKS_COUNT of them fail:
 *                        enospc  writes: no room (ENOSPC)
 *                        short   writes: half is written, then there is no room
 *                        write   writes: EIO
 *                        sync    fsync, fdatasync: EIO
 *                        read    reads: EIO
 * While the file named by TRICKS_ARMED is not there, nothing fails or is counted.
 *
 * A file that was made is there after a cut once it or its folder was synced, as
 * ext4 has it; a rename once its folder was. Removals are not taken back.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <unistd.h>

enum { FDS = 4096 };
enum kind { WRITE = 'w', CUT = 't', SYNC = 's', MADE = 'm', RENAME = 'r' };

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static char *path_of[FDS];
static const char *under, *armed, *fail;
static size_t under_len;
static int journal = -1;
static long from, count, acts, sync_us;
static uint64_t notes;

static ssize_t raw_write(int fd, const void *data, size_t n) {
    return syscall(SYS_write, fd, data, n);
}

__attribute__((constructor)) static void start(void) {
    under = getenv("TRICKS_UNDER");
    under_len = under ? strlen(under) : 0;
    armed = getenv("TRICKS_ARMED");
    fail = getenv("TRICKS_FAIL");
    from = getenv("TRICKS_FROM") ? atol(getenv("TRICKS_FROM")) : 1;
    sync_us = getenv("TRICKS_SYNC_US") ? atol(getenv("TRICKS_SYNC_US")) : 0;
    count = getenv("TRICKS_COUNT") ? atol(getenv("TRICKS_COUNT")) : 1;
    const char *file = getenv("TRICKS_JOURNAL");
    if (file)
        journal = (int)syscall(SYS_openat, AT_FDCWD, file,
                               O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
}

static int ours(const char *path) {
    return under && path && strncmp(path, under, under_len) == 0 &&
           (path[under_len] == '/' || path[under_len] == 0);
}

/* Shared memory beside a database is no file to the power cut. */
static int kept(const char *path) {
    size_t n = path ? strlen(path) : 0;
    return n && !(n > 4 && strcmp(path + n - 4, "-shm") == 0);
}

static const char *path_at(int fd) {
    return fd >= 0 && fd < FDS ? path_of[fd] : NULL;
}

/* One record: kind, the two paths' and the two contents' lengths, place, size
 * before, then the four. */
static void note(char kind, const char *path, const char *other, uint64_t place,
                 uint64_t size, const void *old, uint64_t old_len,
                 const void *now, uint64_t now_len) {
    if (journal < 0 || !kept(path))
        return;
    uint64_t head[7] = {(uint64_t)kind, strlen(path), other ? strlen(other) : 0,
                        old_len,        now_len,      place,
                        size};
    struct iovec parts[5] = {{head, sizeof head},
                             {(void *)path, head[1]},
                             {(void *)other, head[2]},
                             {(void *)old, old_len},
                             {(void *)now, now_len}};
    syscall(SYS_writev, journal, parts, 5);
    notes++;
}

/* Whether this act fails; called under the lock. */
static int fails(const char *kind) {
    if (!fail || strcmp(fail, kind) != 0)
        return 0;
    if (armed && syscall(SYS_access, armed, F_OK) != 0)
        return 0;
    acts++;
    return acts >= from && acts < from + count;
}

static void opened(int fd, const char *path, int made) {
    char full[PATH_MAX];
    if (fd < 0 || fd >= FDS)
        return;
    char link[64];
    strcpy(link, "/proc/self/fd/");
    char digits[16];
    int n = 0, rest = fd;
    do digits[n++] = (char)('0' + rest % 10);
    while (rest /= 10);
    size_t at = strlen(link);
    while (n) link[at++] = digits[--n];
    link[at] = 0;
    ssize_t len = readlink(link, full, sizeof full - 1);
    if (len > 0)
        full[len] = 0;
    const char *real = len > 0 ? full : path;
    pthread_mutex_lock(&lock);
    free(path_of[fd]);
    path_of[fd] = ours(real) ? strdup(real) : NULL;
    if (path_of[fd] && made)
        note(MADE, path_of[fd], NULL, 0, 0, NULL, 0, NULL, 0);
    pthread_mutex_unlock(&lock);
}

static int open_at(int dir, const char *path, int flags, mode_t mode) {
    int made = (flags & O_CREAT) && syscall(SYS_faccessat, dir, path, F_OK) != 0;
    int fd = (int)syscall(SYS_openat, dir, path, flags, mode);
    opened(fd, path, made);
    return fd;
}

#define MODE(flags, last)                                                      \
    mode_t mode = 0;                                                           \
    if ((flags) & (O_CREAT | O_TMPFILE)) {                                     \
        va_list more;                                                          \
        va_start(more, last);                                                  \
        mode = va_arg(more, mode_t);                                           \
        va_end(more);                                                          \
    }

int open(const char *path, int flags, ...) {
    MODE(flags, flags)
    return open_at(AT_FDCWD, path, flags, mode);
}
int open64(const char *path, int flags, ...) {
    MODE(flags, flags)
    return open_at(AT_FDCWD, path, flags, mode);
}
int openat(int dir, const char *path, int flags, ...) {
    MODE(flags, flags)
    return open_at(dir, path, flags, mode);
}
int openat64(int dir, const char *path, int flags, ...) {
    MODE(flags, flags)
    return open_at(dir, path, flags, mode);
}

int close(int fd) {
    pthread_mutex_lock(&lock);
    if (fd >= 0 && fd < FDS) {
        free(path_of[fd]);
        path_of[fd] = NULL;
    }
    int done = (int)syscall(SYS_close, fd);
    pthread_mutex_unlock(&lock);
    return done;
}

/* What a file holds there, through a descriptor of its own: `fd` may not read. */
static ssize_t before(const char *path, void *into, size_t n, off_t place) {
    int fd = (int)syscall(SYS_openat, AT_FDCWD, path, O_RDONLY | O_CLOEXEC, 0);
    if (fd < 0)
        return 0;
    ssize_t got = syscall(SYS_pread64, fd, into, n, place);
    syscall(SYS_close, fd);
    return got > 0 ? got : 0;
}

/* `place` of -1: where the descriptor stands. */
static ssize_t write_at(int fd, const void *data, size_t n, off_t place) {
    const char *path = path_at(fd);
    if (!path)
        return place < 0 ? raw_write(fd, data, n)
                         : syscall(SYS_pwrite64, fd, data, n, place);
    pthread_mutex_lock(&lock);
    if (fails("enospc") || fails("write")) {
        errno = fail[0] == 'e' ? ENOSPC : EIO;
        pthread_mutex_unlock(&lock);
        return -1;
    }
    if (fails("short")) {
        if (acts > from || n < 2) {
            errno = ENOSPC;
            pthread_mutex_unlock(&lock);
            return -1;
        }
        n /= 2;
    }
    struct stat now;
    uint64_t size = fstat(fd, &now) == 0 ? (uint64_t)now.st_size : 0;
    int flags = fcntl(fd, F_GETFL);
    off_t at = place >= 0             ? place
               : (flags & O_APPEND)   ? (off_t)size
                                      : lseek(fd, 0, SEEK_CUR);
    void *old = journal >= 0 && kept(path) ? malloc(n ? n : 1) : NULL;
    ssize_t had = old ? before(path, old, n, at) : 0;
    ssize_t done = place < 0 ? raw_write(fd, data, n)
                             : syscall(SYS_pwrite64, fd, data, n, place);
    int said = errno;
    if (old && done > 0)
        note(WRITE, path, NULL, (uint64_t)at, size, old,
             (uint64_t)(had < done ? had : done), data, (uint64_t)done);
    free(old);
    pthread_mutex_unlock(&lock);
    errno = said;
    return done;
}

ssize_t write(int fd, const void *data, size_t n) { return write_at(fd, data, n, -1); }
ssize_t pwrite(int fd, const void *data, size_t n, off_t place) {
    return write_at(fd, data, n, place);
}
ssize_t pwrite64(int fd, const void *data, size_t n, off_t place) {
    return write_at(fd, data, n, place);
}
ssize_t writev(int fd, const struct iovec *parts, int n) {
    if (!path_at(fd) || n < 1)
        return syscall(SYS_writev, fd, parts, n);
    return write_at(fd, parts[0].iov_base, parts[0].iov_len, -1);
}

static ssize_t read_at(int fd, void *into, size_t n, off_t place) {
    if (path_at(fd)) {
        pthread_mutex_lock(&lock);
        int refused = fails("read");
        pthread_mutex_unlock(&lock);
        if (refused) {
            errno = EIO;
            return -1;
        }
    }
    return place < 0 ? syscall(SYS_read, fd, into, n)
                     : syscall(SYS_pread64, fd, into, n, place);
}
ssize_t read(int fd, void *into, size_t n) { return read_at(fd, into, n, -1); }
ssize_t pread(int fd, void *into, size_t n, off_t place) { return read_at(fd, into, n, place); }
ssize_t pread64(int fd, void *into, size_t n, off_t place) { return read_at(fd, into, n, place); }

static int cut(int fd, off_t len) {
    const char *path = path_at(fd);
    if (!path)
        return (int)syscall(SYS_ftruncate, fd, len);
    pthread_mutex_lock(&lock);
    struct stat now;
    uint64_t size = fstat(fd, &now) == 0 ? (uint64_t)now.st_size : 0;
    uint64_t tail = size > (uint64_t)len ? size - (uint64_t)len : 0;
    void *old = journal >= 0 && kept(path) && tail ? malloc(tail) : NULL;
    ssize_t had = old ? before(path, old, tail, len) : 0;
    int done = (int)syscall(SYS_ftruncate, fd, len);
    int said = errno;
    if (done == 0)
        note(CUT, path, NULL, (uint64_t)len, size, old, (uint64_t)had, NULL, 0);
    free(old);
    pthread_mutex_unlock(&lock);
    errno = said;
    return done;
}
int ftruncate(int fd, off_t len) { return cut(fd, len); }
int ftruncate64(int fd, off_t len) { return cut(fd, len); }

static int synced(int fd, long call) {
    const char *path = path_at(fd);
    if (!path)
        return (int)syscall(call, fd);
    pthread_mutex_lock(&lock);
    if (fails("sync")) {
        errno = EIO;
        pthread_mutex_unlock(&lock);
        return -1;
    }
    /* The system's own sync is left out: the cut is played on what was written down.
     * Safe is what was there when it began, the first so many notes. */
    uint64_t first = notes;
    char own[PATH_MAX];
    strncpy(own, path, sizeof own - 1);
    own[sizeof own - 1] = 0;
    pthread_mutex_unlock(&lock);
    if (sync_us > 0)
        usleep((useconds_t)sync_us);
    pthread_mutex_lock(&lock);
    note(SYNC, own, NULL, first, 0, NULL, 0, NULL, 0);
    pthread_mutex_unlock(&lock);
    return 0;
}
int fsync(int fd) { return synced(fd, SYS_fsync); }
int fdatasync(int fd) { return synced(fd, SYS_fdatasync); }

int rename(const char *old, const char *now) {
    if (!ours(old) && !ours(now))
        return (int)syscall(SYS_renameat, AT_FDCWD, old, AT_FDCWD, now);
    pthread_mutex_lock(&lock);
    int done = (int)syscall(SYS_renameat, AT_FDCWD, old, AT_FDCWD, now);
    int said = errno;
    if (done == 0)
        note(RENAME, now, old, 0, 0, NULL, 0, NULL, 0);
    pthread_mutex_unlock(&lock);
    errno = said;
    return done;
}
