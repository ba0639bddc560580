/* Makes a system call fail, or kills the program, at a chosen moment; preloaded by tests/faults.rs.

   FAULT_CALL   write: what changes the disk (write, pwrite, open that creates, mkdir, rename, unlink, fsync,
                truncate, copy); read: read and pread; clock: the wall clock runs backwards, 10 s a call
   FAULT_PATH   counts only calls on paths that hold this text
   FAULT_AT     the first call that fails, counted from 1
   FAULT_TIMES  how many fail from there on
   FAULT_ERRNO  with which error; 0: the program is killed (SIGKILL) before the call
   FAULT_COUNT  file that receives the number of calls counted when the program ends */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <time.h>
#include <unistd.h>

static atomic_long count;
static char kind;
static const char *part;
static long first, times;
static int error;

__attribute__((constructor)) static void begin(void) {
    const char *call = getenv("FAULT_CALL"), *text;
    kind = call ? call[0] : 0;
    part = getenv("FAULT_PATH");
    first = (text = getenv("FAULT_AT")) ? atol(text) : 0;
    times = (text = getenv("FAULT_TIMES")) ? atol(text) : 1000000000;
    error = (text = getenv("FAULT_ERRNO")) ? atoi(text) : 0;
}

__attribute__((destructor)) static void end(void) {
    const char *path = getenv("FAULT_COUNT");
    if (!path) return;
    char text[32];
    int length = snprintf(text, sizeof text, "%ld", atomic_load(&count));
    int fd = syscall(SYS_openat, AT_FDCWD, path, O_CREAT | O_WRONLY | O_TRUNC, 0644);
    if (fd >= 0) {
        if (syscall(SYS_write, fd, text, length) < 0) return;
        syscall(SYS_close, fd);
    }
}

static int hit(char of, const char *path) {
    if (of != kind || !first || !path || (part && !strstr(path, part))) return 0;
    long n = atomic_fetch_add(&count, 1) + 1;
    if (n < first || n >= first + times) return 0;
    if (!error) kill(getpid(), SIGKILL);
    errno = error;
    return 1;
}

static int hit_fd(char of, int fd) {
    if (of != kind || !first) return 0;
    char link[40], path[4096];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length < 0) return 0;
    path[length] = 0;
    return hit(of, path);
}

#define REAL(name) __typeof__(&name) real = (__typeof__(&name))dlsym(RTLD_NEXT, #name)
#define ON_FD(result, name, of, fd, given, passed) \
    result name given { REAL(name); return hit_fd(of, fd) ? -1 : real passed; }
#define ON_PATH(name, path, given, passed) \
    int name given { REAL(name); return hit('w', path) ? -1 : real passed; }

ON_FD(ssize_t, write, 'w', fd, (int fd, const void *b, size_t n), (fd, b, n))
ON_FD(ssize_t, writev, 'w', fd, (int fd, const struct iovec *v, int n), (fd, v, n))
ON_FD(ssize_t, pwrite, 'w', fd, (int fd, const void *b, size_t n, off_t o), (fd, b, n, o))
ON_FD(ssize_t, pwrite64, 'w', fd, (int fd, const void *b, size_t n, off64_t o), (fd, b, n, o))
ON_FD(int, fsync, 'w', fd, (int fd), (fd))
ON_FD(int, fdatasync, 'w', fd, (int fd), (fd))
ON_FD(int, ftruncate, 'w', fd, (int fd, off_t o), (fd, o))
ON_FD(int, ftruncate64, 'w', fd, (int fd, off64_t o), (fd, o))
ON_FD(ssize_t, copy_file_range, 'w', to, (int from, off64_t *a, int to, off64_t *b, size_t n, unsigned f),
      (from, a, to, b, n, f))
ON_FD(ssize_t, read, 'r', fd, (int fd, void *b, size_t n), (fd, b, n))
ON_FD(ssize_t, pread64, 'r', fd, (int fd, void *b, size_t n, off64_t o), (fd, b, n, o))
ON_PATH(mkdir, path, (const char *path, mode_t mode), (path, mode))
ON_PATH(rename, to, (const char *from, const char *to), (from, to))
ON_PATH(unlink, path, (const char *path), (path))
ON_PATH(rmdir, path, (const char *path), (path))

#define OPEN(name) \
    int name(const char *path, int flags, ...) { \
        REAL(name); \
        va_list list; \
        va_start(list, flags); \
        mode_t mode = flags & (O_CREAT | __O_TMPFILE) ? va_arg(list, mode_t) : 0; \
        va_end(list); \
        return flags & O_CREAT && hit('w', path) ? -1 : real(path, flags, mode); \
    }
OPEN(open)
OPEN(open64)

int clock_gettime(clockid_t clock, struct timespec *now) {
    REAL(clock_gettime);
    int done = real(clock, now);
    if (kind == 'c' && clock == CLOCK_REALTIME && !done) now->tv_sec -= 10 * (atomic_fetch_add(&count, 1) + 1);
    return done;
}
