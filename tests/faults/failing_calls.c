/* Lets the n-th call that changes a file fail: FAIL_AT=n, FAIL_ERRNO=28. Counts only files below FAIL_BELOW. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <limits.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <unistd.h>

static long at, seen;
static int number, ready;
static const char *below;

static void prepare(void) {
    if (ready) return;
    ready = 1;
    at = getenv("FAIL_AT") ? atol(getenv("FAIL_AT")) : 0;
    number = getenv("FAIL_ERRNO") ? atoi(getenv("FAIL_ERRNO")) : ENOSPC;
    below = getenv("FAIL_BELOW");
}

static int counted(const char *path) {
    prepare();
    if (!below || strncmp(path, below, strlen(below)) != 0) return 0;
    long now = __atomic_add_fetch(&seen, 1, __ATOMIC_SEQ_CST);
    return at > 0 && now == at;
}

static int counted_fd(int fd) {
    char link[64], path[PATH_MAX];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length < 0) return 0;
    path[length] = 0;
    return counted(path);
}

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))
#define FAIL_FD(fd) do { if (counted_fd(fd)) { errno = number; return -1; } } while (0)
#define FAIL_PATH(path) do { if (counted(path)) { errno = number; return -1; } } while (0)

ssize_t write(int fd, const void *data, size_t size) { FAIL_FD(fd); return REAL(write)(fd, data, size); }
ssize_t pwrite(int fd, const void *data, size_t size, off_t to) { FAIL_FD(fd); return REAL(pwrite)(fd, data, size, to); }
ssize_t pwrite64(int fd, const void *data, size_t size, off64_t to) { FAIL_FD(fd); return REAL(pwrite64)(fd, data, size, to); }
ssize_t copy_file_range(int in, off64_t *from, int out, off64_t *to, size_t size, unsigned flags) { FAIL_FD(out); return REAL(copy_file_range)(in, from, out, to, size, flags); }
int fsync(int fd) { FAIL_FD(fd); return REAL(fsync)(fd); }
int fdatasync(int fd) { FAIL_FD(fd); return REAL(fdatasync)(fd); }
int ftruncate(int fd, off_t size) { FAIL_FD(fd); return REAL(ftruncate)(fd, size); }
int ftruncate64(int fd, off64_t size) { FAIL_FD(fd); return REAL(ftruncate64)(fd, size); }
int rename(const char *from, const char *to) { FAIL_PATH(to); return REAL(rename)(from, to); }
int mkdir(const char *path, mode_t mode) { FAIL_PATH(path); return REAL(mkdir)(path, mode); }
int link(const char *from, const char *to) { FAIL_PATH(to); return REAL(link)(from, to); }

__attribute__((destructor)) static void tell(void) {
    const char *log = getenv("FAIL_LOG");
    if (!log) return;
    FILE *file = fopen(log, "w");
    if (file) { fprintf(file, "%ld\n", seen); fclose(file); }
}
