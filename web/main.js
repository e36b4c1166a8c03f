import { post } from 'leeward/post.js';
import { connect } from 'leeward/socket.js';
import { start } from 'leeward/start.js';

start(connect, post);
